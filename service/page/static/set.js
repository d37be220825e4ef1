// One set: controls on one side, the answer on the other, asked anew with every change.

import { byId, el } from "./dom.js";
import { makeControl, makeForms, showFaults } from "./controls.js";
import { GROUPS, START, toldOf } from "./fields.js";
import { showCurve } from "./curve.js";
import { cautionList, showPrescription, toldOfTarget } from "./prescription.js";
import { Refused, afterPause, call, catalogue, newest, tell } from "./service.js";

const PATH = "/v1/prescriptions";
const PAUSE_MS = 150;

export async function exerciseChoices() {
  const { exercises } = await catalogue("/v1/exercises");
  return exercises.map(({ id, name }) => [id, name]).sort((one, other) => one[1].localeCompare(other[1]));
}

async function buildForm(changed) {
  const { schemas, forms } = await catalogue("/page/forms");
  const resolve = makeForms(schemas);
  const choices = await exerciseChoices();
  const members = Object.entries(schemas[forms.context].properties);
  const controls = new Map();
  for (const [name, schema] of members) {
    const found = resolve(schema);
    const told = { ...toldOf(name, found) };
    if (name === "exercise") told.choices = choices;
    controls.set(name, makeControl(found, told, changed, resolve, toldOf));
  }
  const group = ([title, names]) => el("fieldset", {}, el("legend", {}, title), names.map((name) => controls.get(name).node));
  const grouped = new Set(GROUPS.flatMap(([, names]) => names));
  const rest = members.map(([name]) => name).filter((name) => !grouped.has(name));
  const more = el("details", { class: "more" }, el("summary", {}, "More that may be known"), rest.map((name) => controls.get(name).node));
  byId("set-form").append(...GROUPS.map(group), more, el("p", { class: "fault", id: "set-fault" }));
  return { controls, more, rest };
}

function controlAt(controls, pointer) {
  const [, name, member] = pointer.split("/");
  const control = controls.get(name);
  if (member === undefined || pointer.split("/").length > 3) return member === undefined ? control : undefined;
  return control?.members?.[member];
}

function contextOf(controls) {
  const entries = [...controls].map(([name, control]) => [name, control.read()]);
  return Object.fromEntries(entries.filter(([, value]) => value !== undefined));
}

// An answer to something else than what is entered is worse than none.
function showNoTarget(told) {
  byId("set-told").textContent = told;
  byId("set-glance").textContent = byId("set-told").textContent;
  byId("set-cautions").replaceChildren();
  byId("set-parts").replaceChildren();
}

function showProblem(form, problem) {
  const lost = showFaults(problem.errors ?? [], (pointer) => controlAt(form.controls, pointer));
  byId("set-fault").textContent = lost.join(" ");
  if (form.more.querySelector("[aria-invalid]")) form.more.open = true;
  showNoTarget("No target: see the marked entries.");
}

function clearFaults(form) {
  for (const control of form.controls.values()) {
    control.showFault(null);
    for (const member of Object.values(control.members ?? {})) member.showFault(null);
  }
  byId("set-fault").textContent = "";
}

export async function openSet() {
  let form = null;
  const ask = newest(byId("set-answer"), async (signal) => {
    const context = contextOf(form.controls);
    let answer = null;
    try {
      answer = await call(PATH, { body: context, signal });
      tell(null);
      clearFaults(form);
      byId("set-cautions").replaceChildren(cautionList(answer.cautions));
      byId("set-told").replaceChildren(...toldOfTarget(answer));
      byId("set-glance").textContent = byId("set-told").innerText;
      byId("set-parts").replaceChildren(...showPrescription(PATH, context, answer, apply));
    } catch (error) {
      if (signal.aborted) throw error;
      if (!(error instanceof Refused) || error.problem.status !== 422) {
        showNoTarget(`No target. ${error.message}`);
        throw error;
      }
      tell(null);
      clearFaults(form);
      showProblem(form, error.problem);
      return;
    }
    await showCurve(byId("set-curve"), context, answer, signal);
  });
  const changed = afterPause(PAUSE_MS, ask);
  // Changes proposed by the answer itself, such as {"experience": "advanced"}.
  const apply = (changes) => {
    for (const [name, value] of Object.entries(changes)) form.controls.get(name).write(value);
    if (Object.keys(changes).some((name) => form.rest.includes(name))) form.more.open = true;
    ask();
  };
  form = await buildForm(changed);
  byId("set-form").addEventListener("submit", (event) => event.preventDefault());
  for (const [name, value] of Object.entries(START)) form.controls.get(name)?.write(value);
  return ask;
}

