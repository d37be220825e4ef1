// How many repetitions a load allows, how far people lie apart, and where this set stops.

import { el, figure, number, reps, svg, table } from "./dom.js";
import { area, chart, dot, legend, line, note } from "./chart.js";
import { call } from "./service.js";

const LOADS = Array.from({ length: 13 }, (_, index) => 40 + 5 * index);
const HEAVIEST = LOADS.at(-1);
const GLYPH = 7; // about the width of a letter of a note [px]
const known = new Map();

async function curveOf(exercise) {
  if (!known.has(exercise)) {
    const ask = (load) => call("/v1/estimates/repetitions", { body: { load_percent_1rm: load, exercise } });
    const answers = Promise.all(LOADS.map(ask));
    answers.catch(() => known.delete(exercise));
    known.set(exercise, answers);
  }
  const answers = await known.get(exercise);
  return answers.map(({ reps_to_failure: { mean, sd } }, index) => ({ load: LOADS[index], mean, sd }));
}

function marks(frame, points, context, answer) {
  const spread = (times) => points.map(({ load, mean, sd }) => [load, Math.max(0, mean - times * sd), mean + times * sd]);
  const drawn = [area(frame, spread(1.645), "wide"), area(frame, spread(1), "narrow"), line(frame, points.map((p) => [p.load, p.mean]), "mean")];
  const load = context.load_percent_1rm;
  if (load === undefined || answer.expected === null || load < LOADS[0]) return drawn;
  const mean = answer.expected.reps_to_failure.mean;
  const left = mean - context.rep_target;
  const gap = svg("line", { class: "gap", x1: frame.x(load), x2: frame.x(load), y1: frame.y(context.rep_target), y2: frame.y(mean) });
  const end = load > 75;
  const over = `${number(left, 1)} left on average`;
  const fits = frame.x(load) + 10 + over.length * GLYPH < frame.width;
  return [
    ...drawn,
    gap,
    dot(frame, load, mean, "open"),
    dot(frame, load, context.rep_target, "here"),
    note(frame, load, context.rep_target, `stops after ${context.rep_target}`, { dx: end ? -10 : 10, dy: 16, end }),
    left > 0.5 && (fits ? note(frame, load, mean, over, { dx: 10, dy: -10 }) : note(frame, HEAVIEST, mean, over, { dx: 0, dy: -44, end: true })),
  ];
}

// What the dots say, in words.
function gapTold(context, answer) {
  const load = context.load_percent_1rm;
  if (load === undefined || answer.expected === null) return "Send a load to see where this set stops.";
  if (load < LOADS[0]) return `A load below ${LOADS[0]} % of 1RM lies outside the picture.`;
  const planned = reps(context.rep_target);
  if (answer.expected.reps_to_failure.mean < context.rep_target) return `The gap between the dots is what the average lifter lacks for ${planned}.`;
  return `The gap between the dots is what the average lifter has left after ${planned}.`;
}

export async function showCurve(place, context, answer, signal) {
  if (place === null) return;
  const points = await curveOf(context.exercise);
  if (signal.aborted) return;
  const most = Math.max(context.rep_target + 2, ...points.filter((p) => p.load >= 50).map((p) => p.mean + p.sd));
  const high = Math.min(60, Math.ceil(most / 5) * 5);
  const load = context.load_percent_1rm;
  const here = load === undefined ? "No load was sent, so no place on the curve." : `This set: ${context.rep_target} reps at ${number(load)} % of 1RM.`;
  const drawn = chart({
    title: "Repetitions to failure by load",
    told: `Fewer repetitions at heavier loads, and people lie closer together. ${here}`,
    x: { low: 40, high: 100, label: "load, % of 1RM" },
    y: { low: 0, high, label: "reps" },
    draw: (frame) => {
      const cut = svg("svg", { x: 0, y: 0, width: frame.width, height: frame.y(0), viewBox: `0 0 ${frame.width} ${frame.y(0)}` });
      cut.append(...marks(frame, points, context, answer).filter(Boolean));
      return [cut];
    },
  });
  const rows = points.map(({ load: at, mean, sd }) => [`${at} %`, number(mean, 1), number(sd, 1)]);
  place.replaceChildren(
    figure("Reps to failure by load", drawn, table("Repetitions to failure", ["Load", "Mean", "SD between people"], rows)),
    legend([["line mean", "mean lifter"], ["area narrow", "two in three"], ["area wide", "nine in ten"], ["dot here", "where this set stops"]]),
    el("p", { class: "hint" }, gapTold(context, answer)),
  );
}
