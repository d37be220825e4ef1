// The rows a plan is built from: sessions, exercises in order, sets. What is entered goes straight into the plan.

import { el, freshId } from "./dom.js";
import { makeControl } from "./controls.js";
import { toldOf } from "./fields.js";

// In a row there is room for a word: [member, label].
const SET_MEMBERS = [
  ["rep_target", "Reps"],
  ["load_percent_1rm", "% of 1RM"],
  ["rest_seconds", "Rest, s"],
  ["reps_in_reserve", "Your RIR"],
];
const WEEK_DAYS = 7;

// The same time of day in the first later week that comes after everything there is: sessions stand in order of time.
function nextWeek(instant, latest) {
  const day = new Date(`${String(instant).slice(0, 10)}T00:00:00Z`);
  if (Number.isNaN(day.getTime()) || Number.isNaN(Date.parse(latest))) return instant;
  let later = instant;
  do {
    day.setUTCDate(day.getUTCDate() + WEEK_DAYS);
    later = day.toISOString().slice(0, 10) + instant.slice(10);
  } while (Date.parse(later) <= Date.parse(latest));
  return later;
}

function button(text, label, run, off = false) {
  return el("button", { type: "button", "aria-label": label, onclick: run, disabled: off }, text);
}

// Gives {nodes, controls by JSON pointer, focusOn(pointer)}.
export function sessionRows(plan, { choices, resolve, properties, changed, rebuild }) {
  const controls = new Map();
  const parts = new Map();
  const session = resolve(resolve(properties.sessions).items);
  const exercise = resolve(session.properties.exercises.items);
  const set = resolve(exercise.properties.sets.items);

  const member = (schema, name, told, owner, pointer) => {
    const found = resolve(schema.properties[name]);
    const control = makeControl(found, { ...toldOf(name, found), hint: undefined, ...told }, () => {
      owner[name] = control.read();
      changed();
    }, resolve, toldOf);
    control.write(owner[name]);
    controls.set(`${pointer}/${name}`, control);
    return control;
  };

  const setRow = (owner, index, sets, pointer, name) => {
    const cells = SET_MEMBERS.map(([key, label]) => member(set, key, { bare: true, label, unit: undefined }, owner, pointer).node);
    const remove = button("\u00d7", `Remove set ${index + 1} of ${name}`, () => {
      sets.splice(index, 1);
      rebuild(pointer.replace(/\/sets\/\d+$/, ""));
    }, sets.length === 1);
    return el("li", { class: "set-row" }, el("span", { class: "count" }, `Set ${index + 1}`), cells, remove);
  };

  const exerciseBox = (owner, index, exercises, pointer) => {
    const name = choices.find(([id]) => id === owner.exercise)?.[1] ?? owner.exercise;
    const picked = member(exercise, "exercise", { label: `Exercise ${index + 1}`, required: true, choices }, owner, pointer);
    const move = (by) => () => {
      exercises.splice(index + by, 0, ...exercises.splice(index, 1));
      rebuild(pointer.replace(/\d+$/, index + by));
    };
    const drop = () => {
      exercises.splice(index, 1);
      rebuild(pointer.replace(/\/exercises\/\d+$/, ""));
    };
    const add = () => {
      owner.sets.push({ ...owner.sets.at(-1) });
      rebuild(`${pointer}/sets/${owner.sets.length - 1}`);
    };
    const sets = owner.sets.map((each, at) => {
      const row = setRow(each, at, owner.sets, `${pointer}/sets/${at}`, name);
      parts.set(`${pointer}/sets/${at}`, row);
      return row;
    });
    const box = el(
      "div",
      { class: "exercise-box", role: "group", "aria-label": `Exercise ${index + 1}: ${name}` },
      picked.node,
      el("ol", {}, sets),
      el(
        "p",
        { class: "buttons" },
        button("Add a set", `Add a set of ${name}`, add),
        button("Up", `Move ${name} up`, move(-1), index === 0),
        button("Down", `Move ${name} down`, move(1), index === exercises.length - 1),
        button("Remove", `Remove ${name}`, drop, exercises.length === 1),
      ),
    );
    parts.set(pointer, box);
    return box;
  };

  const sessionBox = (owner, index) => {
    const pointer = `/sessions/${index}`;
    const boxes = owner.exercises.map((each, at) => exerciseBox(each, at, owner.exercises, `${pointer}/exercises/${at}`));
    const fresh = () => {
      owner.exercises.push({ exercise: choices[0][0], sets: [{ rep_target: 10 }] });
      rebuild(`${pointer}/exercises/${owner.exercises.length - 1}`);
    };
    const again = () => {
      const copy = structuredClone(owner);
      copy.starts_at = nextWeek(owner.starts_at, plan.sessions.at(-1).starts_at);
      plan.sessions.push(copy);
      rebuild(`/sessions/${plan.sessions.length - 1}`);
    };
    const drop = () => {
      plan.sessions.splice(index, 1);
      rebuild("/sessions/0");
    };
    const box = el(
      "details",
      { class: "session-box", id: freshId("session"), open: index === 0 },
      el("summary", {}, `Session ${index + 1}`),
      el("div", { class: "pair" }, member(session, "starts_at", {}, owner, pointer).node, member(session, "deload", {}, owner, pointer).node),
      boxes,
      el(
        "p",
        { class: "buttons" },
        button("Add an exercise", `Add an exercise to session ${index + 1}`, fresh),
        button("Repeat the session a week later", `Repeat session ${index + 1} a week later`, again),
        button("Remove the session", `Remove session ${index + 1}`, drop, plan.sessions.length === 1),
      ),
    );
    parts.set(pointer, box);
    return box;
  };

  const nodes = plan.sessions.map(sessionBox);
  const focusOn = (pointer) => {
    const part = parts.get(pointer);
    const details = part?.closest("details");
    if (details) details.open = true;
    part?.querySelector("input, select")?.focus();
  };
  return { nodes, controls, focusOn };
}
