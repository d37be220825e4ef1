// Pictures of what was learned, each with the same as a table.

import { el, figure, number, reps, svg, table, words } from "./dom.js";
import { area, chart, dot, legend, line } from "./chart.js";

const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

function day(at) {
  const date = new Date(at);
  return `${date.getUTCDate()} ${MONTHS[date.getUTCMonth()]}`;
}

function time(places) {
  const ticks = places.filter((_, index) => index % 3 === 0).map((at) => [at, day(at)]);
  return { low: Math.min(...places), high: Math.max(...places), label: "", ticks };
}

function rangeOf(values, { zero = false, room = 0.1 } = {}) {
  const [low, high] = [Math.min(...values), Math.max(...values)];
  const more = (high - low || Math.abs(high) || 1) * room;
  return { low: zero ? Math.min(0, low) : low - more, high: high + more };
}

function strength(name, states) {
  const known = states
    .map(({ at, state }) => ({ at, max: state.exercises.find(({ exercise }) => exercise === name)?.one_rep_max_kg }))
    .filter(({ max }) => max);
  if (!known.length) return el("p", {}, "No 1RM is known of this exercise: its sets hardly tell strength.");
  const last = known.at(-1).max;
  const told = `Now ${number(last.mean, 1)} kg; nine in ten between ${number(last.low, 1)} and ${number(last.high, 1)} kg.`;
  const drawn = chart({
    title: "Estimated 1RM by week",
    told,
    x: time(states.map(({ at }) => at)),
    y: { ...rangeOf(known.flatMap(({ max }) => [max.low, max.high])), label: "kg" },
    draw: (frame) => [
      area(frame, known.map(({ at, max }) => [at, max.low, max.high]), "narrow"),
      line(frame, known.map(({ at, max }) => [at, max.mean]), "mean"),
      known.map(({ at, max }) => dot(frame, at, max.mean, "")),
    ],
  });
  const rows = known.map(({ at, max }) => [day(at), number(max.mean, 1), `${number(max.low, 1)} to ${number(max.high, 1)}`]);
  return [
    figure("Estimated 1RM, as it was known each week", drawn, table("Estimated 1RM", ["Day", "Mean [kg]", "90 % interval [kg]"], rows)),
    legend([["line mean", "mean"], ["area narrow", "nine in ten"]]),
    el("p", {}, told),
  ];
}

function done(name, review) {
  const weeks = review.weeks
    .map(({ starts_on: start, exercises }) => ({ at: Date.parse(start), found: exercises.find(({ exercise }) => exercise === name) }))
    .filter(({ found }) => found?.compared_sets);
  if (!weeks.length) return el("p", {}, "No set of this exercise had both a target and a known reserve.");
  const values = weeks.flatMap(({ found }) => [found.prescribed_rir_mean, found.done_rir_mean]);
  const drawn = chart({
    title: "Reserve prescribed and done by week",
    told: "Every week as two dots: prescribed is open, done is filled.",
    height: 220,
    x: { ...time(weeks.map(({ at }) => at)), label: "week of" },
    y: { ...rangeOf([...values, 0.5], { zero: true }), label: "reps in reserve" },
    draw: (frame) =>
      weeks.map(({ at, found }) => [
        svg("line", { class: "gap", x1: frame.x(at), x2: frame.x(at), y1: frame.y(found.prescribed_rir_mean), y2: frame.y(found.done_rir_mean) }),
        dot(frame, at, found.prescribed_rir_mean, "open"),
        dot(frame, at, found.done_rir_mean, "here"),
      ]),
  });
  const rows = weeks.map(({ at, found }) => [day(at), number(found.prescribed_rir_mean), number(found.done_rir_mean), number(found.difference_mean), String(found.sets)]);
  const heads = ["Week of", "Prescribed", "Done", "Done minus prescribed", "Sets"];
  return [
    figure("Prescribed against done", drawn, table("Mean reserve of the week [reps]", heads, rows)),
    legend([["dot open", "prescribed"], ["dot here", "done"]]),
  ];
}

function bias(states) {
  const known = states.map(({ at, state }) => ({ at, ...state.reporting_bias }));
  const last = known.at(-1);
  const sets = last.verified_sets === 1 ? "1 set" : `${last.verified_sets} sets`;
  const way = last.mean_reps > 0 ? "more left than said" : "fewer left than said";
  const size = `${reps(Math.abs(Number(last.mean_reps.toFixed(1))))} ${way} on average (nine in ten: ${number(last.low_reps, 1)} to ${number(last.high_reps, 1)})`;
  const told = last.verified_sets ? `${size}, learned from ${sets} with a known end.` : `Nothing learned yet: no set has a known end. Assumed of such a lifter: ${size}.`;
  const drawn = chart({
    title: "Reporting bias by week",
    told,
    x: time(known.map(({ at }) => at)),
    y: { ...rangeOf(known.flatMap(({ low_reps: low, high_reps: high }) => [low, high, 0])), label: "reps, true minus reported" },
    draw: (frame) => [
      area(frame, known.map(({ at, low_reps: low, high_reps: high }) => [at, low, high]), "narrow"),
      svg("path", { class: "line asked", d: `M${frame.x(known[0].at)} ${frame.y(0)}H${frame.x(last.at)}` }),
      line(frame, known.map(({ at, mean_reps: mean }) => [at, mean]), "mean"),
    ],
  });
  const rows = known.map((each) => [day(each.at), number(each.mean_reps), `${number(each.low_reps)} to ${number(each.high_reps)}`, String(each.verified_sets)]);
  const heads = ["Day", "Mean [reps]", "90 % interval [reps]", "Sets it rests on"];
  return el(
    "section",
    {},
    el("h2", {}, "How far the lifter's own count is off"),
    el("p", {}, told),
    figure("True minus reported reserve, as it was known each week", drawn, table("Reporting bias", heads, rows)),
    legend([["line mean", "mean"], ["area narrow", "nine in ten"], ["line asked", "an exact count"]]),
  );
}

// Shares in five steps of shade, each with its number, so that the shade only helps to find them.
function shareCell(found) {
  if (!found) return el("td", {}, "\u2013");
  const percent = Math.round(100 * found.failure_share);
  const step = Math.min(4, Math.ceil(percent / 25));
  return el("td", { class: `share share-${step}${percent ? "" : " hint"}` }, `${percent} %`, el("span", { class: "hint" }, ` of ${number(found.fractional_sets)}`));
}

function failure(review) {
  const muscles = [...new Set(review.weeks.flatMap((week) => week.muscles.map(({ muscle }) => muscle)))].sort();
  const title = "Share of a muscle's sets at failure, of how many sets counted by muscle share";
  const head = review.weeks.map(({ starts_on: start }) => el("th", { scope: "col" }, day(Date.parse(start))));
  const row = (muscle) =>
    el("tr", {}, el("th", { scope: "row" }, words(muscle)), review.weeks.map((week) => shareCell(week.muscles.find((each) => each.muscle === muscle))));
  return el(
    "section",
    {},
    el("h2", {}, "Failure by muscle and week"),
    el("div", { class: "scroll newest", tabindex: "0", role: "region", "aria-label": "Failure by muscle and week" },
      el("table", { class: "shares" }, el("caption", {}, el("span", { class: "stays" }, title)), el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "Muscle"), head)), el("tbody", {}, muscles.map(row)))),
  );
}

export function showLifter(id, states, review) {
  const exercises = states.at(-1).state.exercises.map(({ exercise, stall }) => ({ exercise, stall }));
  if (!exercises.length) return [el("p", {}, `No sets of ${id} are stored.`)];
  const place = el("div", { class: "pictures" });
  const picker = el("select", { id: "lifter-exercise" }, exercises.map(({ exercise }) => el("option", { value: exercise }, words(exercise))));
  const show = () => {
    const chosen = exercises.find(({ exercise }) => exercise === picker.value);
    const stall = chosen.stall ? el("p", { class: "conflict" }, "At equal load the last two sessions fell short: consistent with accumulated fatigue, not a diagnosis.") : null;
    place.replaceChildren(...[stall, el("div", {}, strength(chosen.exercise, states)), el("div", {}, done(chosen.exercise, review))].filter(Boolean));
  };
  picker.addEventListener("change", show);
  show();
  return [
    el("section", {}, el("h2", {}, "Strength, and targets met"), el("div", { class: "field short" }, el("label", { for: "lifter-exercise" }, "Exercise"), picker), place),
    bias(states),
    failure(review),
  ];
}
