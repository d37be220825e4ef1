// Everything one answer says, in the order it is to be heeded: cautions, target, reasons, when to stop, how sure.

import { el, number, reps, signed, words } from "./dom.js";
import { exactCalls } from "./calls.js";
import { labelOf, unitOf } from "./fields.js";
import { ledger } from "./ledger.js";
import { call, tell } from "./service.js";

const SEVERITY = { critical: "Stop", warning: "Take care", info: "Note" };
const WORST_FIRST = Object.keys(SEVERITY);

export function cautionList(cautions) {
  const place = ({ severity }) => WORST_FIRST.indexOf(severity);
  const rows = [...cautions].sort((one, other) => place(one) - place(other)).map(({ severity, text }) =>
    el("li", { class: severity }, el("strong", {}, `${SEVERITY[severity]}: `), text),
  );
  return el("ul", { class: "cautions", "aria-label": "Cautions" }, rows);
}

const between = (low, high) => (low === high ? number(low) : `${number(low)} to ${number(high)}`);

// The whole target in one sentence; it is read out when it changes.
export function toldOfTarget(answer) {
  const range = answer.reps_in_reserve;
  if (range === null) return [el("strong", {}, "No target is given."), " Read the cautions."];
  const rpe = answer.rpe?.target;
  const felt = rpe === null || rpe === undefined ? "" : `, RPE ${number(rpe)}`;
  return [el("strong", {}, `Leave ${reps(range.target)}`), ` in reserve (${between(range.low, range.high)}${felt}).`];
}

function stopCues(answer) {
  if (!answer.stop_cues.length) return null;
  const said = answer.reported_reps_in_reserve;
  const own =
    said === null ? null : el("li", {}, `This lifter should say about ${number(said)} at that point: the count is known to be off.`);
  return el("section", {}, el("h3", {}, "When to stop"), el("ul", {}, own, answer.stop_cues.map((cue) => el("li", {}, cue.text))));
}

const shown = (value) => {
  if (value === true) return "yes";
  if (value === false) return "no";
  return typeof value === "number" ? number(value) : words(value).toLowerCase();
};

function changes(context, answer, apply) {
  const found = answer.what_would_change_it;
  if (!found.length) return null;
  const target = answer.reps_in_reserve.target;
  const row = (change) => {
    const by = change.target - target;
    const now = context[change.field] === undefined ? "not said" : shown(context[change.field]);
    const value = `${shown(change.value)}${unitOf(change.field)}`;
    const name = labelOf(change.field);
    return el(
      "li",
      {},
      el("span", { class: "what" }, el("strong", {}, name), ` ${value}`, el("span", { class: "hint" }, ` instead of ${now}`)),
      el("span", { class: `effect ${by > 0 ? "away" : "closer"}` }, `${number(change.target)} (${signed(by)})`),
      el("button", { type: "button", "aria-label": `Try ${name} ${value}`, onclick: () => apply({ [change.field]: change.value }) }, "Try"),
    );
  };
  return el(
    "section",
    {},
    el("h3", {}, "What would change it"),
    el("p", { class: "hint" }, "One thing at a time, by the least that moves the target half a rep or more."),
    el("ul", { class: "changes" }, found.map(row)),
  );
}

const CONFLICT = {
  too_heavy: "The load is too heavy for these reps with that reserve.",
  too_light: "The load is too light: these reps end far from failure.",
};

function certainty(answer, apply) {
  const expected = answer.expected;
  const place = el("div", { id: "set-curve" });
  if (expected === null) return el("section", {}, el("h3", {}, "How sure it is"), place);
  const mean = Number(expected.reps_to_failure.mean.toFixed(1));
  const told = `At this load the average lifter does ${reps(mean)} to failure; two in three do ${number(mean)} give or take ${number(expected.reps_to_failure.sd, 1)}. `;
  const short = `The chance that these reps cannot be done with ${reps(answer.reps_in_reserve?.low ?? 0)} left is ${Math.round(100 * expected.chance_short)} %.`;
  const way = (adjustment) => {
    const { keep, ...changed } = adjustment;
    const text = keep === "load" ? `Keep the load, do ${reps(changed.rep_target)}` : `Keep the reps, take ${number(changed.load_percent_1rm, 1)} % of 1RM`;
    return el("li", {}, el("span", {}, text), " ", el("button", { type: "button", "aria-label": `Try: ${text}`, onclick: () => apply(changed) }, "Try"));
  };
  const ways = answer.adjustments.length ? el("ul", { class: "changes" }, answer.adjustments.map(way)) : null;
  const conflict = expected.conflict ? el("p", { class: "conflict" }, CONFLICT[expected.conflict]) : null;
  return el("section", {}, el("h3", {}, "How sure it is"), conflict, ways, el("p", {}, told, short), place);
}

function assumptions(answer) {
  if (!answer.assumptions.length) return null;
  const rows = answer.assumptions.map(({ text }) => el("li", {}, text));
  return el("details", { class: "assumed" }, el("summary", {}, `What was assumed (${rows.length})`), el("ul", {}, rows));
}

function pictureButton(path, body) {
  const save = async () => {
    const text = await call(path, { body, accept: "image/svg+xml" });
    const link = el("a", { href: `data:image/svg+xml,${encodeURIComponent(text)}`, download: "prescription.svg" });
    link.click();
  };
  return el("button", { type: "button", onclick: () => save().catch(tell) }, "Save as a picture");
}

export function showPrescription(path, context, answer, apply) {
  if (answer.reps_in_reserve === null) {
    const why = answer.reasons.map(({ text }) => el("p", {}, text));
    return [...why, exactCalls(path, context, answer)];
  }
  return [
    el("section", {}, el("h2", {}, "Why: the reasons add up"), ledger(answer, context.rep_target)),
    stopCues(answer),
    changes(context, answer, apply),
    certainty(answer, apply),
    assumptions(answer),
    exactCalls(path, context, answer, pictureButton(path, context)),
    el("p", { class: "hint" }, `Numbers of ${answer.policy.version}. `, el("a", { href: `/v1/policies/${answer.policy.version}` }, "See them all")),
  ].filter(Boolean);
}
