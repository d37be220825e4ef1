// A plan: built row by row or pasted as JSON, and answered with every change.

import { byId, el } from "./dom.js";
import { makeControl, makeForms, showFaults } from "./controls.js";
import { labelOf } from "./fields.js";
import { showPlan, toldOfPlan } from "./plan_answer.js";
import { sessionRows } from "./plan_rows.js";
import { Refused, afterPause, call, catalogue, newest, tell } from "./service.js";
import { exerciseChoices } from "./set.js";

const PATH = "/v1/plan-prescriptions?detail=brief";
const PAUSE_MS = 200;
const FIRST = "pressing-day";
const WHOLE = ["lifter", "limits", "progression"]; // members beside the sessions

function plain(name) {
  return { label: labelOf(name) };
}

async function material() {
  const { schemas, forms, plans } = await catalogue("/page/forms");
  const resolve = makeForms(schemas);
  const properties = schemas[forms.plan].properties;
  const choices = await exerciseChoices();
  return { resolve, properties, plans, choices };
}

export async function openPlan() {
  const { resolve, properties, plans, choices } = await material();
  let plan = structuredClone(plans[FIRST] ?? Object.values(plans)[0]);
  let rows = null;

  const ask = newest(byId("plan-answer"), async (signal) => {
    const body = clean(plan);
    byId("plan-json").value = JSON.stringify(body, null, 2);
    try {
      const answer = await call(PATH, { body, signal });
      tell(null);
      clearFaults();
      byId("plan-told").textContent = toldOfPlan(answer);
      byId("plan-parts").replaceChildren(...showPlan(PATH, body, answer, choices, propose));
    } catch (error) {
      if (signal.aborted) throw error;
      byId("plan-parts").replaceChildren();
      if (!(error instanceof Refused) || error.problem.status !== 422) {
        byId("plan-told").textContent = `No targets. ${error.message}`;
        throw error;
      }
      tell(null);
      clearFaults();
      const lost = showFaults(error.problem.errors ?? [], controlAt);
      byId("plan-fault").textContent = lost.join(" ");
      for (const wrong of byId("plan-form").querySelectorAll("[aria-invalid], .fault:not(:empty)")) {
        for (let at = wrong.closest("details"); at; at = at.parentElement.closest("details")) at.open = true;
      }
      byId("plan-told").textContent = "No targets: see the marked entries.";
    }
  });
  const changed = afterPause(PAUSE_MS, ask, () => {
    for (const [name, control] of whole) plan[name] = control.read();
  });
  const whole = new Map(
    WHOLE.map((name) => {
      const told = (member) => ({ ...plain(member) });
      return [name, makeControl(resolve(properties[name]), plain(name), changed, resolve, told)];
    }),
  );
  const controlAt = (pointer) => {
    const [, name, member, ...deeper] = pointer.split("/");
    if (name === "sessions") return rows.controls.get(pointer);
    if (deeper.length) return undefined;
    return member === undefined ? whole.get(name) : whole.get(name)?.members?.[member];
  };
  const clearFaults = () => {
    const members = [...whole.values()].flatMap((control) => [control, ...Object.values(control.members)]);
    for (const control of [...members, ...rows.controls.values()]) control.showFault(null);
    byId("plan-fault").textContent = "";
  };
  // Builds the rows anew; `focus` is the pointer of the part to go to.
  const rebuild = (focus) => {
    rows = sessionRows(plan, { choices, resolve, properties, changed, rebuild: (at) => (rebuild(at), ask()) });
    byId("plan-rows").replaceChildren(...rows.nodes);
    if (focus) rows.focusOn(focus);
  };
  const load = (next) => {
    plan = structuredClone(next);
    for (const [name, control] of whole) control.write(plan[name]);
    rebuild();
    ask();
  };
  const propose = (reserves) => {
    for (const [pointer, reserve] of reserves) {
      const [, , session, , exercise, , set] = pointer.split("/");
      plan.sessions[session].exercises[exercise].sets[set].reps_in_reserve = reserve;
    }
    rebuild();
    ask();
  };
  byId("plan-form").append(...formParts(plans, whole, load));
  byId("plan-form").addEventListener("submit", (event) => event.preventDefault());
  for (const [name, control] of whole) control.write(plan[name]);
  rebuild();
  return ask;
}

// Without members that were not entered.
function clean(plan) {
  return JSON.parse(JSON.stringify(plan));
}

const isObject = (value) => typeof value === "object" && value !== null && !Array.isArray(value);
const holds = (value, name, each) => isObject(value) && Array.isArray(value[name]) && value[name].every(each);

// Whether rows can be made of it; whether it is a right plan, the service alone says.
function hasRows(plan) {
  return holds(plan, "sessions", (session) => holds(session, "exercises", (exercise) => holds(exercise, "sets", isObject)));
}

function formParts(plans, whole, load) {
  const start = el("select", { id: "plan-start" }, el("option", { value: "" }, "as it is below"), Object.keys(plans).map((name) =>
    el("option", { value: name }, name.replaceAll("-", " ")),
  ));
  start.addEventListener("change", () => {
    if (start.value) take(plans[start.value]);
    start.value = "";
  });
  const fault = el("p", { class: "fault", id: "plan-json-fault", role: "alert" });
  const text = el("textarea", { id: "plan-json", rows: "16", spellcheck: "false", "aria-describedby": "plan-json-fault" });
  const take = (next) => {
    fault.textContent = "";
    text.removeAttribute("aria-invalid");
    load(next);
  };
  const use = () => {
    let next = null;
    try {
      next = JSON.parse(text.value);
      if (!hasRows(next)) throw new SyntaxError("A plan is an object with `sessions`, each with `exercises`, each with `sets`.");
    } catch (error) {
      fault.textContent = `This is no plan in JSON: ${error.message}`;
      text.setAttribute("aria-invalid", "true");
      return;
    }
    take(next);
  };
  return [
    el("div", { class: "field" }, el("label", { for: "plan-start" }, "Start from an example"), start),
    el("details", { class: "more" }, el("summary", {}, "The lifter, limits and progression"), [...whole.values()].map(({ node }) => node)),
    el("div", { id: "plan-rows" }),
    el(
      "details",
      { class: "more" },
      el("summary", {}, "The plan as JSON: paste yours"),
      el("label", { for: "plan-json" }, "Plan"),
      text,
      fault,
      el("button", { type: "button", onclick: use }, "Use this JSON"),
    ),
    el("p", { class: "fault", id: "plan-fault" }),
  ];
}
