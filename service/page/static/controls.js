// Plain controls made from the JSON Schema of the document, so that whatever the service takes can be entered.
// A control reads what was entered as the service would get it; whether that is right the service alone says.

import { el, freshId, words } from "./dom.js";

const FINE = 6;

export function makeForms(schemas) {
  const named = (schema) => (schema.$ref ? named(schemas[schema.$ref.split("/").pop()]) : schema);
  // What a member takes beside null, with the description wherever it stands.
  return function resolve(schema) {
    const arms = schema.anyOf?.filter((arm) => arm.type !== "null");
    const found = named(arms ? arms[0] : schema);
    return { ...found, description: schema.description ?? arms?.[0].description ?? found.description };
  };
}

// Descriptions name members between backticks, as the reference does.
function described(text) {
  return text.split("`").map((part, at) => (at % 2 ? el("code", {}, part) : part));
}

function labelled(id, told, input, extra) {
  const hint = told.hint && el("span", { class: "hint", id: `${id}-hint` }, described(told.hint));
  const fault = el("span", { class: "fault", id: `${id}-fault` });
  input.id = id;
  const about = () =>
    [fault.textContent && fault.id, hint && hint.id].filter(Boolean).join(" ");
  const showFault = (text) => {
    fault.textContent = text ?? "";
    if (text) input.setAttribute("aria-invalid", "true");
    else input.removeAttribute("aria-invalid");
    if (about()) input.setAttribute("aria-describedby", about());
    else input.removeAttribute("aria-describedby");
  };
  showFault("");
  const unit = told.unit && el("span", { class: "unit" }, ` ${told.unit}`);
  const label = el("label", { for: id }, told.label, unit);
  return { node: el("div", { class: "field" }, label, extra ?? input, hint, fault), showFault };
}

function numberControl(id, schema, told, changed) {
  const input = el("input", {
    type: "number",
    step: schema.type === "integer" ? "1" : "any",
    min: schema.minimum ?? undefined,
    max: schema.maximum ?? undefined,
    inputmode: schema.type === "integer" ? "numeric" : "decimal",
    autocomplete: "off",
    oninput: changed,
  });
  const by = told.step ?? 1;
  const step = (way) => () => {
    const next = (input.value === "" ? (told.from ?? 0) : Number(input.value)) + way * by;
    const held = Math.min(schema.maximum ?? next, Math.max(schema.minimum ?? by, next));
    input.value = String(Number(held.toFixed(FINE))); // three tenths are 0.30000000000000004
    changed();
  };
  // For thumbs; the keyboard has the arrow keys of the input itself.
  const button = (sign, way, word) =>
    el("button", { type: "button", tabindex: "-1", "aria-label": `${word}: ${told.label}`, onclick: step(way) }, sign);
  const row = el("span", { class: "stepper" }, button("\u2212", -1, "Less"), input, button("+", 1, "More"));
  const read = () => {
    if (input.validity.badInput) return ""; // entered, but no number: the service says so
    return input.value === "" ? undefined : Number(input.value);
  };
  const write = (value) => {
    input.value = value ?? "";
  };
  return { ...labelled(id, told, input, told.bare ? input : row), read, write, input };
}

function choiceControl(id, choices, told, changed) {
  const options = choices.map(([value, text]) => el("option", { value: JSON.stringify(value) }, text));
  const none = told.required ? null : el("option", { value: "" }, told.none ?? "not said");
  const input = el("select", { onchange: changed }, none, options);
  const read = () => (input.value === "" ? undefined : JSON.parse(input.value));
  const write = (value) => {
    input.value = value === undefined || value === null ? "" : JSON.stringify(value);
  };
  return { ...labelled(id, told, input), read, write, input };
}

function manyControl(id, values, told, changed) {
  const boxes = values.map((value) => el("input", { type: "checkbox", value, id: `${id}-${value}`, onchange: changed }));
  const fault = el("span", { class: "fault", id: `${id}-fault` });
  const rows = boxes.map((box) => el("div", { class: "check" }, box, el("label", { for: box.id }, words(box.value))));
  const node = el("fieldset", { class: "many", id }, el("legend", {}, told.label), rows, fault);
  const showFault = (text) => {
    fault.textContent = text ?? "";
    if (text) node.setAttribute("aria-describedby", fault.id);
    else node.removeAttribute("aria-describedby");
  };
  const read = () => {
    const chosen = boxes.filter((box) => box.checked).map((box) => box.value);
    return chosen.length ? chosen : undefined;
  };
  const write = (value) => boxes.forEach((box) => (box.checked = (value ?? []).includes(box.value)));
  return { node, showFault, read, write };
}

// `quadriceps 1, gluteus_maximus 0.5` as {"quadriceps": 1, "gluteus_maximus": 0.5}
function sharesControl(id, told, changed) {
  const input = el("input", { type: "text", autocomplete: "off", spellcheck: "false", oninput: changed });
  const entry = (part) => {
    const [name, share] = part.trim().split(/\s+/);
    return [name, share === undefined || Number.isNaN(Number(share)) ? (share ?? "") : Number(share)];
  };
  const read = () => {
    const parts = input.value.split(",").filter((part) => part.trim());
    return parts.length ? Object.fromEntries(parts.map(entry)) : undefined;
  };
  const write = (value) => {
    input.value = Object.entries(value ?? {}).map(([name, share]) => `${name} ${share}`).join(", ");
  };
  return { ...labelled(id, told, input), read, write, input };
}

// `4, 8` as [4, 8]
function listControl(id, told, changed) {
  const input = el("input", { type: "text", autocomplete: "off", oninput: changed });
  const entry = (part) => (part.trim() === "" || Number.isNaN(Number(part)) ? part.trim() : Number(part));
  const read = () => (input.value.trim() ? input.value.split(",").map(entry) : undefined);
  const write = (value) => {
    input.value = (value ?? []).join(", ");
  };
  return { ...labelled(id, told, input), read, write, input };
}

function textControl(id, told, changed) {
  const input = el("input", { type: "text", autocomplete: "off", spellcheck: "false", oninput: changed });
  const write = (value) => {
    input.value = value ?? "";
  };
  return { ...labelled(id, told, input), read: () => input.value.trim() || undefined, write, input };
}

function groupControl(schema, told, changed, resolve, tell) {
  const members = Object.entries(schema.properties).map(([name, member]) => [
    name,
    makeControl(resolve(member), tell(name, resolve(member)), changed, resolve, tell),
  ]);
  const fault = el("span", { class: "fault" });
  const node = el("fieldset", { class: "group" }, el("legend", {}, told.label), members.map(([, c]) => c.node), fault);
  const showFault = (text) => {
    fault.textContent = text ?? "";
  };
  const read = () => {
    const found = members.map(([name, control]) => [name, control.read()]).filter(([, value]) => value !== undefined);
    return found.length ? Object.fromEntries(found) : undefined;
  };
  const write = (value) => members.forEach(([name, control]) => control.write(value?.[name]));
  return { node, showFault, read, write, members: Object.fromEntries(members) };
}

// The document sorts choices by name; where they rise, people read them in that order.
function inOrder(values, rising = []) {
  const place = (value) => rising.indexOf(value);
  return [...values].sort((one, other) => place(one) - place(other)).map((value) => [value, words(value)]);
}

// Gives {node, read, write, showFault} for a member of this schema; `tell` names the members of a member.
export function makeControl(schema, told, changed, resolve, tell) {
  const id = freshId("field");
  if (schema.properties) return groupControl(schema, told, changed, resolve, tell);
  if (schema.additionalProperties) return sharesControl(id, told, changed);
  if (schema.type === "array") {
    const choices = resolve(schema.items).enum;
    return choices ? manyControl(id, choices, told, changed) : listControl(id, told, changed);
  }
  if (schema.enum) return choiceControl(id, told.choices ?? inOrder(schema.enum, told.rising), told, changed);
  if (schema.type === "boolean") return choiceControl(id, [[true, "yes"], [false, "no"]], told, changed);
  if (schema.type === "string") return textControl(id, told, changed);
  return numberControl(id, schema, told, changed);
}

// Shows each fault at the control its pointer names, or at the nearest one around it. Gives back what found none.
export function showFaults(faults, controlAt) {
  const lost = [];
  for (const { pointer, detail } of faults) {
    let at = (pointer ?? "").replace(/^#/, "");
    while (at && !controlAt(at)) at = at.slice(0, at.lastIndexOf("/"));
    if (at) controlAt(at).showFault(detail);
    else lost.push(pointer === "#" || !pointer ? detail : `${pointer.replace(/^#\//, "")}: ${detail}`);
  }
  return lost;
}
