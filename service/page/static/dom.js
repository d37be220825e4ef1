// Small tools to make elements. Texts always become text nodes: nothing that is shown is ever read as markup.

const SVG = "http://www.w3.org/2000/svg";

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false));
  return node;
}

export function el(tag, attributes = {}, ...children) {
  return fill(document.createElement(tag), attributes, children);
}

export function svg(tag, attributes = {}, ...children) {
  return fill(document.createElementNS(SVG, tag), attributes, children);
}

export function byId(id) {
  return document.getElementById(id);
}

let counter = 0;
export function freshId(stem) {
  counter += 1;
  return `${stem}-${counter}`;
}

// Numbers as people write them: no trailing zeros, a true minus sign.
export function number(value, decimals = 2) {
  return String(Number(value.toFixed(decimals))).replace("-", "\u2212");
}

export function signed(value, decimals = 2) {
  return value > 0 ? `+${number(value, decimals)}` : number(value, decimals);
}

export function words(name) {
  const text = String(name).replaceAll("_", " ");
  return text.charAt(0).toUpperCase() + text.slice(1);
}

export function reps(value) {
  return `${number(value)} ${value === 1 ? "rep" : "reps"}`;
}

export function later(milliseconds, run) {
  let timer = 0;
  return (...told) => {
    clearTimeout(timer);
    timer = setTimeout(run, milliseconds, ...told);
  };
}

export function figure(title, node, table) {
  const caption = el("figcaption", {}, title);
  return el("figure", {}, caption, node, table && el("details", {}, el("summary", {}, "The same as a table"), table));
}

export function table(caption, heads, rows) {
  return el(
    "div",
    { class: "scroll", tabindex: "0", role: "region", "aria-label": caption },
    el(
      "table",
      {},
      el("caption", {}, caption),
      el("thead", {}, el("tr", {}, heads.map((head) => el("th", { scope: "col" }, head)))),
      el(
        "tbody",
        {},
        rows.map(([first, ...rest]) =>
          el("tr", {}, el("th", { scope: "row" }, first), rest.map((cell) => el("td", {}, cell ?? "\u2013"))),
        ),
      ),
    ),
  );
}
