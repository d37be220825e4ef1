// Charts drawn to the width there is, so that their texts keep their size; redrawn when it changes.

import { el, freshId, number, svg } from "./dom.js";

const LEFT = 44;
const BOTTOM = 40;
const TOP = 14;
const RIGHT = 14;
const NARROW = 320; // here every other day finds room

function ticksOf(low, high, most) {
  const rough = (high - low) / most || 1;
  const power = 10 ** Math.floor(Math.log10(rough));
  const size = [1, 2, 5, 10].map((factor) => factor * power).find((candidate) => candidate >= rough);
  const ticks = [];
  for (let tick = Math.ceil(low / size) * size; tick <= high + size / 1e6; tick += size) ticks.push(tick);
  return ticks;
}

function axes(frame, x, y) {
  const given = frame.width < NARROW ? x.ticks?.filter((_, index) => index % 2 === 0) : x.ticks;
  const across = (given ?? ticksOf(x.low, x.high, frame.width < 420 ? 4 : 8).map((at) => [at, number(at)])).map(([at, text]) =>
    svg("text", { x: frame.x(at), y: frame.height - BOTTOM + 18, class: `tick ${frame.x(at) > frame.width - 30 ? "end" : "middle"}` }, text),
  );
  const up = ticksOf(y.low, y.high, 5).map((at) => [
    svg("line", { class: "grid", x1: LEFT, x2: frame.width - RIGHT, y1: frame.y(at), y2: frame.y(at) }),
    svg("text", { x: LEFT - 8, y: frame.y(at) + 4, class: "tick end" }, number(at)),
  ]);
  const under = svg("text", { x: (LEFT + frame.width - RIGHT) / 2, y: frame.height - 4, class: "tick middle" }, x.label);
  return [up, across, under];
}

// `draw` gets {x, y, width} and gives the marks; `x` and `y` say {low, high, label, ticks}. `told` describes it all.
export function chart({ title, told, height = 260, x, y, draw }) {
  const [titleId, toldId] = [freshId("chart"), freshId("chart")];
  const picture = svg("svg", { class: "chart", role: "img", "aria-labelledby": `${titleId} ${toldId}`, height });
  const paint = () => {
    const width = Math.max(260, Math.round(picture.parentNode?.clientWidth || 600));
    const frame = {
      width,
      height,
      x: (value) => LEFT + ((value - x.low) / (x.high - x.low || 1)) * (width - LEFT - RIGHT),
      y: (value) => height - BOTTOM - ((value - y.low) / (y.high - y.low || 1)) * (height - BOTTOM - TOP),
    };
    picture.setAttribute("viewBox", `0 0 ${width} ${height}`);
    picture.replaceChildren(
      svg("title", { id: titleId }, title),
      svg("desc", { id: toldId }, told),
      ...[axes(frame, x, y), draw(frame)].flat(3).filter(Boolean),
    );
  };
  const box = el("div", { class: "chart-box" }, el("p", { class: "chart-unit", "aria-hidden": "true" }, y.label), picture);
  let drawn = 0;
  new ResizeObserver(([entry]) => {
    const width = Math.round(entry.contentRect.width);
    if (width !== drawn && width > 0) paint();
    drawn = width;
  }).observe(box);
  return box;
}

export function path(frame, points) {
  return points.map(([x, y], index) => `${index ? "L" : "M"}${frame.x(x).toFixed(1)} ${frame.y(y).toFixed(1)}`).join("");
}

export function line(frame, points, kind) {
  return svg("path", { class: `line ${kind}`, d: path(frame, points) });
}

// The area between two values at each place: [[x, low, high], ...].
export function area(frame, spans, kind) {
  const there = spans.map(([x, , high]) => [x, high]);
  const back = spans.map(([x, low]) => [x, low]).reverse();
  return svg("path", { class: `area ${kind}`, d: `${path(frame, [...there, ...back])}Z` });
}

export function dot(frame, x, y, kind) {
  return svg("circle", { class: `dot ${kind}`, cx: frame.x(x), cy: frame.y(y), r: 5 });
}

export function note(frame, x, y, text, { dx = 8, dy = -8, end = false } = {}) {
  return svg("text", { class: `note${end ? " end" : ""}`, x: frame.x(x) + dx, y: frame.y(y) + dy }, text);
}

// What the marks of a chart mean: [[kind of mark, text], ...].
export function legend(entries) {
  return el(
    "ul",
    { class: "legend" },
    entries.map(([kind, text]) => el("li", {}, svg("svg", { class: "swatch", viewBox: "0 0 28 14", "aria-hidden": "true" }, swatch(kind)), text)),
  );
}

function swatch(kind) {
  const [shape, ...rest] = kind.split(" ");
  const name = rest.join(" ");
  if (shape === "area") return svg("rect", { class: `area ${name}`, x: 0, y: 1, width: 28, height: 12 });
  if (shape === "line") return svg("path", { class: `line ${name}`, d: "M0 7H28" });
  return svg("circle", { class: `dot ${name}`, cx: 14, cy: 7, r: 5 });
}
