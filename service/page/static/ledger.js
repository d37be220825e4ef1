// Reasons as a way that is walked: every row starts where the one before ended, and the last step lands on the target.
// The set runs from left to right towards the wall, failure; a step to the left keeps further away from it.

import { el, number, reps, signed, svg, words } from "./dom.js";

// Effects are sixteenths: with four decimals they add up on the screen, too.
const FINE = 4;
const GRADES = {
  meta_analysis: "meta-analysis",
  trial: "trial",
  acute_study: "acute study",
  observational: "observational",
  consensus: "consensus",
  judgement: "judgement",
  common_practice: "common practice",
};

function scaleOf(sums, range) {
  const furthest = Math.max(1, range.high, ...sums);
  const shown = Math.ceil(furthest) + 2;
  const beyond = Math.floor(Math.min(0, ...sums)); // a way may lead through the wall and be brought back
  const whole = shown - beyond;
  return { shown, at: (value) => `${(100 * (shown - value)) / whole}%`, wide: (value) => `${(100 * value) / whole}%` };
}

function ground(scale, range) {
  const lines = Array.from({ length: scale.shown }, (_, whole) =>
    svg("line", { class: "grid", x1: scale.at(whole), x2: scale.at(whole), y1: "0", y2: "100%" }),
  );
  const band = svg("rect", {
    class: "band",
    x: scale.at(range.high),
    width: scale.wide(range.high - range.low),
    y: "0",
    height: "100%",
  });
  const wall = svg("line", { class: "wall", x1: scale.at(0), x2: scale.at(0), y1: "0", y2: "100%" });
  return [band, ...lines, wall];
}

function head(scale, at, way) {
  const path = way > 0 ? "M7-9L-3 0L7 9Z" : "M-7-9L3 0L-7 9Z";
  return svg("svg", { x: scale.at(at), y: "50%", class: "head" }, svg("path", { d: path }));
}

function step(scale, from, to, first) {
  const kind = to > from ? "away" : "closer";
  const stem = (x, y1, y2) => svg("line", { class: "stem", x1: scale.at(x), x2: scale.at(x), y1, y2 });
  const bar = svg("line", { class: "bar", x1: scale.at(from), x2: scale.at(to), y1: "50%", y2: "50%" });
  const dot = svg("circle", { class: "holds", cx: scale.at(to), cy: "50%", r: "5" });
  return svg(
    "g",
    { class: to === from ? "hold" : kind },
    first ? null : stem(from, "0", "50%"),
    to === from ? dot : [bar, head(scale, to, to - from)],
    stem(to, "50%", "100%"),
  );
}

function track(parts) {
  return svg("svg", { class: "track", "aria-hidden": "true", focusable: "false" }, parts);
}

function row(reason, scale, range, from, to, first) {
  const support = reason.evidence.length
    ? [` ${reason.evidence.length === 1 ? "Source" : "Sources"}: `, reason.evidence.map((key, index) => [
        index ? ", " : "",
        el("a", { href: `/evidence/${encodeURIComponent(key)}` }, key),
      ])]
    : [];
  return el(
    "li",
    {},
    el(
      "div",
      { class: "why" },
      el("strong", {}, words(reason.factor)),
      el("p", {}, reason.text),
      el("p", { class: "support" }, `Support: ${GRADES[reason.grade] ?? reason.grade}.`, support),
    ),
    el("p", { class: "effect", "data-effect": reason.effect_reps }, signed(reason.effect_reps, FINE)),
    track([ground(scale, range), step(scale, from, to, first)]),
  );
}

// The end of the set: repetitions done as full cells, those left before the wall as empty ones.
function strip(scale, range, repTarget) {
  const cells = [];
  for (let left = 0; left < range.target; left += 1) {
    const wide = Math.min(1, range.target - left);
    cells.push(svg("rect", { class: "left", x: scale.at(left + wide), width: scale.wide(wide), y: "22%", height: "56%" }));
  }
  for (let back = 0; back < repTarget && range.target + back < scale.shown; back += 1) {
    const x = range.target + back;
    const wide = Math.min(1, scale.shown - x);
    cells.push(svg("rect", { class: "done", x: scale.at(x + wide), width: scale.wide(wide), y: "22%", height: "56%" }));
    if (wide === 1) cells.push(svg("text", { x: scale.at(x + 0.5), y: "50%", class: "rep" }, String(repTarget - back)));
  }
  const end = svg("line", { class: "stop", x1: scale.at(range.target), x2: scale.at(range.target), y1: "0", y2: "90%" });
  return track([ground(scale, range), cells, end]);
}

function axis(scale) {
  const marks = Array.from({ length: scale.shown }, (_, left) => {
    const mark = el("span", {}, String(left));
    mark.style.left = scale.at(left);
    return mark;
  });
  return el("div", { class: "axis", "aria-hidden": "true" }, marks);
}

export function arithmetic(reasons) {
  const moving = reasons.filter((reason) => reason.effect_reps !== 0);
  return moving
    .map(({ effect_reps: effect }, index) =>
      index === 0 ? number(effect, FINE) : `${effect < 0 ? "\u2212" : "+"} ${number(Math.abs(effect), FINE)}`,
    )
    .join(" ");
}

export function ledger(answer, repTarget) {
  const range = answer.reps_in_reserve;
  const sums = [];
  answer.reasons.reduce((sum, reason) => (sums.push(sum + reason.effect_reps), sum + reason.effect_reps), 0);
  const scale = scaleOf(sums, range);
  const rows = answer.reasons.map((reason, index) =>
    row(reason, scale, range, index ? sums[index - 1] : 0, sums[index], index === 0),
  );
  const told = `Range ${number(range.low)} to ${number(range.high)}: the shaded strip.`;
  const total = el(
    "li",
    { class: "total" },
    el("div", { class: "why" }, el("strong", {}, "Target"), el("p", { class: "sum" }, `${arithmetic(answer.reasons)} = ${number(range.target)}`), el("p", { class: "support" }, told)),
    el("p", { class: "effect", "data-target": range.target }, number(range.target)),
    strip(scale, range, repTarget),
  );
  return el(
    "div",
    { class: "ledger" },
    el("p", { class: "ways", "aria-hidden": "true" }, el("span", { class: "way away" }, "\u25c0 further from failure"), el("span", { class: "way closer" }, "closer \u25b6")),
    el("ol", { "aria-label": `Reasons; their effects add up to ${reps(range.target)} in reserve` }, rows, total),
    el("div", { class: "foot", "aria-hidden": "true" }, axis(scale), el("p", {}, "reps left before failure, the wall")),
  );
}
