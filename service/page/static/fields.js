// What the members of a set context are called on the page. Descriptions, ranges and choices come from the document;
// a member that is not named here is shown under "More" by its own name.

import { words } from "./dom.js";

export const GROUPS = [
  ["The set", ["exercise", "rep_target", "load_percent_1rm"]],
  ["Its place in the session", ["exercise_order", "exercises_in_session", "set_order", "sets_in_exercise"]],
  ["The lifter", ["experience", "goal", "exposures"]],
  ["Care", ["spotter", "safety_arms", "cautions"]],
];

const TOLD = {
  rep_target: { label: "Reps planned" },
  load_percent_1rm: { label: "Load", unit: "% of 1RM", step: 2.5, from: 70 },
  exercise: { label: "Exercise" },
  exercise_order: { label: "Exercise number" },
  exercises_in_session: { label: "of exercises" },
  set_order: { label: "Set number" },
  sets_in_exercise: { label: "of sets" },
  experience: { label: "Experience", rising: ["novice", "intermediate", "advanced"] },
  goal: { label: "Goal" },
  exposures: { label: "Earlier sessions", unit: "with it" },
  spotter: { label: "Spotter" },
  safety_arms: { label: "Safety arms" },
  cautions: { label: "What calls for care today" },
  later_overlapping_sets: { label: "Sets still to come for these muscles" },
  days_since_last_exposure: { label: "Since the last session with it", unit: "days" },
  hours_since_muscle_trained: { label: "Since the muscles were trained", unit: "hours", step: 12 },
  hours_until_muscle_trained: { label: "Until they are trained again", unit: "hours", step: 12 },
  failure_share_7d: { label: "Share of last week's sets at failure", unit: "0 to 1", step: 0.1 },
  deload: { label: "Deload week" },
  plan_shift_reps: { label: "Shift asked by a plan", unit: "reps", step: 0.5 },
  exercise_traits: { label: "An exercise that is not in the list" },
  joints: { label: "Joints" },
  equipment: { label: "Equipment" },
  under_bar: { label: "Can pin the lifter" },
  muscles: { label: "Muscles and shares" },
  reporting_bias: { label: "How far this lifter's count is off" },
  mean_reps: { label: "Mean", unit: "reps", step: 0.5 },
  sd_reps: { label: "Spread (SD)", unit: "reps", step: 0.5 },
  limits: { label: "Limits on failure" },
  failure_share_per_muscle_7d: { label: "Largest share at failure, a muscle's week", unit: "0 to 1", step: 0.1 },
  failure_sets_per_session: { label: "Most sets at failure in a session" },
  progression: { label: "From week to week" },
  weeks: { label: "Weeks" },
  start_shift_reps: { label: "Shift in the first", unit: "reps", step: 0.5 },
  end_shift_reps: { label: "Shift in the last", unit: "reps", step: 0.5 },
  deload_weeks: { label: "Deload weeks", unit: "4, 8" },
  rest_seconds: { label: "Rest after", unit: "s", step: 30, from: 120 },
  reps_in_reserve: { label: "You propose", unit: "left", step: 0.5, from: 2 },
  starts_at: { label: "Starts at" },
  lifter: { label: "The lifter" },
  policy: { label: "Version of the numbers", none: "newest" },
};
const PLAIN = new Set(GROUPS.flatMap(([, names]) => names));

// The label, unit and step of a member; with its description as a hint where the label does not say it all.
export function toldOf(name, schema) {
  const told = TOLD[name] ?? { label: words(name) };
  return PLAIN.has(name) || schema.properties ? told : { ...told, hint: schema.description };
}

// Units a value can be read with; others ("with it", "0 to 1") say how to fill in a control.
const READ_WITH = new Set(["% of 1RM", "days", "hours", "reps"]);

// What follows a value of this member in a sentence, with the space before it.
export function unitOf(name) {
  const unit = TOLD[name]?.unit;
  return READ_WITH.has(unit) ? ` ${unit}` : "";
}

export function labelOf(name) {
  return TOLD[name]?.label ?? words(name);
}

export const START = {
  exercise: "barbell_back_squat",
  rep_target: 8,
  load_percent_1rm: 75,
  exercise_order: 1,
  exercises_in_session: 5,
  experience: "novice",
  exposures: 1,
  safety_arms: true,
};
