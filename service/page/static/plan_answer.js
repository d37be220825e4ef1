// A plan's answer as a sheet: what to mend, every set with its target, who pays for failure early, the weeks.

import { el, number, reps, signed, svg, table, words } from "./dom.js";
import { exactCalls } from "./calls.js";
import { cautionList } from "./prescription.js";

const MOST_PAIRS = 8;
const SCENARIOS = [
  ["as_prescribed", "pre\u00adscribed"],
  ["as_proposed", "your way"],
  ["all_to_failure", "all failing"],
];
const TOTAL = { as_prescribed: "as prescribed", as_proposed: "as you propose", all_to_failure: "with every set to failure" };
const SEVERITY = { critical: "Stop", warning: "Mend", info: "Note" };

function namer(plan, choices) {
  const names = new Map(choices);
  const many = plan.sessions.length > 1;
  const place = (pointer) => {
    const [, , session, , exercise, , set] = pointer.split("/");
    const within = many ? `session ${Number(session) + 1}` : "";
    if (exercise === undefined) return `Session ${Number(session) + 1}`;
    const name = names.get(plan.sessions[session].exercises[exercise].exercise);
    const which = set === undefined ? name : `${name}, set ${Number(set) + 1}`;
    return within ? `${which} (${within})` : which;
  };
  return { place, name: (id) => names.get(id) ?? words(id) };
}

function setAt(answer, plan, pointer) {
  const [, , session, , exercise, , set] = pointer.split("/");
  if (set === undefined) return {};
  return {
    asked: plan.sessions[session].exercises[exercise].sets[set],
    found: answer.sessions[session].exercises[exercise].sets[set],
  };
}

// Sets of a warning that the plan proposes to take closer than prescribed, with the reserve that is prescribed.
function concrete(warning, plan, answer) {
  return warning.pointers
    .map((pointer) => ({ pointer, ...setAt(answer, plan, pointer) }))
    .filter(({ asked, found }) => asked?.reps_in_reserve < found?.prescription.reps_in_reserve?.target)
    .map(({ pointer, found }) => [pointer, found.prescription.reps_in_reserve.target]);
}

function warnings(plan, answer, called, propose) {
  const row = (warning) => {
    const moves = concrete(warning, plan, answer);
    const values = [...new Set(moves.map(([, reserve]) => number(reserve)))].join(" and ");
    const apply = el("button", { type: "button", onclick: () => propose(moves) }, `Take the prescribed ${values} instead`);
    const places = warning.pointers.map(called.place);
    const most = places.length > 3 ? [...places.slice(0, 3), `and ${places.length - 3} more`] : places;
    return el(
      "li",
      { class: warning.severity },
      el("p", {}, el("strong", {}, `${SEVERITY[warning.severity]}: `), warning.text),
      el("p", {}, warning.mend),
      el("p", { class: "hint" }, most.join("; ")),
      moves.length ? el("p", { class: "no-print" }, apply) : null,
    );
  };
  const heeded = answer.warnings.filter(({ severity }) => severity !== "info");
  const notes = answer.warnings.filter(({ severity }) => severity === "info");
  return [
    heeded.length ? el("ul", { class: "cautions", "aria-label": "What to mend" }, heeded.map(row)) : null,
    notes.length ? el("details", { class: "no-print" }, el("summary", {}, `Notes (${notes.length})`), el("ul", { class: "cautions" }, notes.map(row))) : null,
  ];
}

const SCALE_REPS = 6; // what a whole bar of a set's reserve stands for

// The reserve of a set before the wall, with its range behind; the set's own proposal as a ring.
function gap(range, proposed) {
  const at = (value) => `${100 * (1 - Math.min(value, SCALE_REPS) / SCALE_REPS)}%`;
  const wide = (value) => `${(100 * Math.min(value, SCALE_REPS)) / SCALE_REPS}%`;
  return svg(
    "svg",
    { class: "gap-track", "aria-hidden": "true" },
    svg("rect", { class: "band", x: at(range.high), width: wide(range.high - range.low), y: "10%", height: "80%" }),
    svg("line", { class: "bar", x1: "0", x2: at(range.target), y1: "50%", y2: "50%" }),
    svg("line", { class: "stop", x1: at(range.target), x2: at(range.target), y1: "10%", y2: "90%" }),
    proposed === undefined ? null : svg("circle", { class: "dot open", cx: at(proposed), cy: "50%", r: "5" }),
  );
}

function setRow(asked, found, index) {
  const range = found.prescription.reps_in_reserve;
  const told = (...cells) => el("tr", { class: found.cut ? "cut" : "" }, el("th", { scope: "row" }, String(index + 1)), cells.map((cell) => el("td", {}, cell)));
  const load = asked.load_percent_1rm === undefined ? "" : ` at ${number(asked.load_percent_1rm)}\u00a0%`;
  const todo = `${asked.rep_target} reps${load}`;
  if (found.cut) return told(todo, "leave out", "", "", "");
  if (range === null) return told(todo, "no target", "", "", "");
  const between = range.low === range.high ? "" : ` (${number(range.low)}\u2013${number(range.high)})`;
  const proposed = asked.reps_in_reserve ?? undefined;
  const own = proposed === undefined ? null : el("span", { class: "hint" }, ` you: ${number(proposed)}`);
  return told(
    todo,
    [el("span", { class: "whole" }, el("strong", {}, `leave ${number(range.target)}`), between), own],
    gap(range, proposed),
    found.predicted_reps === null ? "\u2013" : number(found.predicted_reps, 1),
    el("span", { class: "blank" }),
  );
}

function why(sets) {
  const reason = (each) => el("li", {}, `${signed(each.effect_reps, 4)} ${words(each.factor).toLowerCase()}: ${each.text}`);
  const rows = sets.map((found, index) => el("li", {}, `Set ${index + 1}`, el("ul", {}, found.prescription.reasons.map(reason))));
  return el("details", { class: "no-print" }, el("summary", {}, "Why these targets"), el("ul", { class: "plain" }, rows));
}

function sheet(plan, answer, called) {
  const heads = ["Set", "Do", "Reps in reserve", "Gap before failure", "Expect", "Done / left"];
  return answer.sessions.map((session, at) => {
    const starts = plan.sessions[at].starts_at;
    const tables = session.exercises.map((exercise, order) => {
      const rows = exercise.sets.map((found, index) => setRow(plan.sessions[at].exercises[order].sets[index], found, index));
      const title = `${order + 1}. ${called.name(exercise.exercise)}`;
      const sets = el(
        "div",
        { class: "scroll", tabindex: "0", role: "region", "aria-label": title },
        el("table", { class: "sheet" }, el("caption", {}, title), el("thead", {}, el("tr", {}, heads.map((head) => el("th", { scope: "col" }, head)))), el("tbody", {}, rows)),
      );
      return [sets, why(exercise.sets)];
    });
    const key = el("p", { class: "hint no-print" }, "The gap before the wall is what to leave; shaded is the range, a ring is what you propose.");
    return el("section", { class: "session" }, el("h2", {}, `Session ${at + 1}, ${starts.slice(0, 16).replace("T", " ")}`), at === 0 ? key : null, tables);
  });
}

function lossBar(lost, most) {
  const width = `${most ? Math.max(1, (100 * lost) / most) : 0}%`;
  return [
    svg("svg", { class: "loss", "aria-hidden": "true" }, svg("rect", { x: "0", y: "0", width, height: "100%" })),
    ` ${number(lost, 1)}`,
  ];
}

function payments(answer, called) {
  const there = SCENARIOS.filter(([key]) => answer.carryover[key] !== null);
  const pairs = new Map();
  for (const [key] of there) {
    for (const paid of answer.carryover[key].paid_by) {
      const pair = `${paid.from} ${paid.to}`;
      pairs.set(pair, { ...pairs.get(pair), from: paid.from, to: paid.to, muscles: paid.muscles, [key]: paid.reps_lost });
    }
  }
  const worst = (pair) => Math.max(...there.map(([key]) => pair[key] ?? 0));
  const sorted = [...pairs.values()].sort((one, other) => worst(other) - worst(one));
  const most = Math.max(0, ...sorted.map(worst));
  const row = (pair) => [
    [el("strong", {}, called.place(pair.to)), ` pays for ${called.place(pair.from)}`, el("span", { class: "hint" }, ` (${pair.muscles.map((m) => words(m).toLowerCase()).join(", ")})`)],
    ...there.map(([key]) => lossBar(pair[key] ?? 0, most)),
  ];
  const heads = ["Who pays", ...there.map(([, name]) => name)];
  const totals = there.map(([key, name]) => `${reps(Number(answer.carryover[key].total_reps.toFixed(1)))} ${TOTAL[key]}`).join(", ");
  const rest = sorted.slice(MOST_PAIRS);
  return el(
    "section",
    {},
    el("h2", {}, "Who pays for going close early"),
    el("p", {}, `Completed in all: ${totals}. Means of a model, not promises.`),
    sorted.length ? table("Reps that a later exercise loses to an earlier one", heads, sorted.slice(0, MOST_PAIRS).map(row)) : el("p", {}, "No exercise takes repetitions from another."),
    rest.length ? el("details", { class: "no-print" }, el("summary", {}, `${rest.length} more`), table("The smaller losses", heads, rest.map(row))) : null,
  );
}

// What the sets call for, each once: a caution of the lifter stands at every set.
function cautions(sets) {
  const found = new Map(sets.flatMap(({ prescription }) => prescription.cautions).map((each) => [each.text, each]));
  return cautionList([...found.values()]);
}

function weeks(answer) {
  const muscles = [...new Set(answer.weeks.flatMap((week) => week.muscles.map(({ muscle }) => muscle)))].sort();
  const cell = (week, muscle) => {
    const found = week.muscles.find((each) => each.muscle === muscle);
    return found ? `${number(found.fractional_sets)} sets, ${Math.round(100 * found.failure_share)} % at failure` : null;
  };
  const rows = muscles.map((muscle) => [words(muscle), ...answer.weeks.map((week) => cell(week, muscle))]);
  return el("details", { class: "no-print" }, el("summary", {}, "Sets and failure by muscle and week"), table("Sets counted by muscle share", ["Muscle", ...answer.weeks.map((week) => `Week of ${week.starts_on}`)], rows));
}

function setsOf(answer) {
  return answer.sessions.flatMap(({ exercises }) => exercises.flatMap(({ sets }) => sets));
}

const setsTold = (count) => (count === 1 ? "1 set" : `${count} sets`);

// The whole answer in a sentence or two; it is read out when it changes.
export function toldOfPlan(answer) {
  const sets = setsOf(answer);
  const withheld = sets.filter(({ prescription }) => prescription.reps_in_reserve === null).length;
  const cut = sets.filter((found) => found.cut && found.prescription.reps_in_reserve !== null).length;
  const heeded = answer.warnings.filter(({ severity }) => severity !== "info").length;
  const worth = heeded === 1 ? "1 thing to mend" : `${heeded || "nothing"}${heeded ? " things" : ""} to mend`;
  const none = withheld ? `No target is given for ${setsTold(withheld)}: read the cautions. ` : "";
  if (withheld === sets.length) return none;
  const done = sets.length - withheld - cut;
  return `${none}${setsTold(done)} prescribed${cut ? `, ${setsTold(cut)} to leave out` : ""}, ${worth}.`;
}

export function showPlan(path, plan, answer, choices, propose) {
  const called = namer(plan, choices);
  const moves = answer.allocation?.moves ?? [];
  const sets = setsOf(answer);
  const some = sets.some(({ prescription }) => prescription.reps_in_reserve !== null);
  return [
    cautions(sets),
    ...warnings(plan, answer, called, propose),
    el("p", { class: "buttons no-print" }, el("button", { type: "button", onclick: () => print() }, "Print this sheet")),
    ...sheet(plan, answer, called),
    moves.length ? el("section", {}, el("h2", {}, "Moved away from failure to keep your limits"), el("ul", { class: "plain" }, moves.map((move) => el("li", {}, `${called.place(move.pointer)}: ${move.text}`)))) : null,
    some ? payments(answer, called) : null,
    weeks(answer),
    exactCalls(path, plan, answer),
  ].filter(Boolean);
}
