// One lifter: what was learned week by week, from routes that every app has.

import { byId, el } from "./dom.js";
import { showLifter } from "./lifter_charts.js";
import { Refused, call, newest, offeredLifters, tell } from "./service.js";

const WEEKS = 12;
const AT_ONCE = 4;
const DAY_MS = 86_400_000;

// The state as it was known at the end of each of the latest weeks, oldest first, and now.
async function statesOf(path, signal) {
  const instants = Array.from({ length: WEEKS }, (_, index) => new Date(Date.now() - (WEEKS - index) * 7 * DAY_MS));
  const found = [];
  for (let at = 0; at < instants.length; at += AT_ONCE) {
    const asked = instants.slice(at, at + AT_ONCE).map(async (instant) => {
      const state = await call(`${path}/state?at=${encodeURIComponent(instant.toISOString())}`, { signal });
      return { at: instant.getTime(), state };
    });
    found.push(...(await Promise.all(asked)));
  }
  const state = await call(`${path}/state`, { signal });
  return [...found, { at: Date.now(), state }];
}

function formOf(show) {
  const lifters = offeredLifters();
  const story = el("p", { class: "hint", id: "lifter-story" });
  const entry = lifters.length
    ? el("select", { id: "lifter-id" }, lifters.map(({ lifter_id: id }) => el("option", { value: id }, id)))
    : el("input", { id: "lifter-id", type: "text", autocomplete: "off", spellcheck: "false" });
  const changed = () => {
    story.textContent = lifters.find(({ lifter_id: id }) => id === entry.value)?.story ?? "";
    if (entry.value.trim()) show(entry.value.trim());
  };
  entry.addEventListener("change", changed);
  byId("lifter-form").addEventListener("submit", (event) => {
    event.preventDefault();
    changed();
  });
  const asked = el("div", { class: "field short" }, el("label", { for: "lifter-id" }, "Lifter (a pseudonym)"), entry);
  const button = lifters.length ? [] : [el("button", { type: "submit" }, "Show")];
  byId("lifter-form").replaceChildren(asked, ...button, story);
  return changed;
}

export async function openLifter() {
  const show = newest(byId("lifter-parts"), async (signal, id) => {
    byId("lifter-told").textContent = `Reading what is known of ${id} \u2026`;
    const path = `/v1/lifters/${encodeURIComponent(id)}`;
    try {
      const [states, review] = await Promise.all([statesOf(path, signal), call(`${path}/review?weeks=${WEEKS}`, { signal })]);
      tell(null);
      const now = states.at(-1).state;
      byId("lifter-told").textContent = `${now.sets} sets, ${now.exercises.length} exercises.`;
      byId("lifter-parts").replaceChildren(...showLifter(id, states, review));
      for (const wide of byId("lifter-parts").querySelectorAll(".newest")) wide.scrollLeft = wide.scrollWidth;
    } catch (error) {
      if (signal.aborted) throw error;
      byId("lifter-parts").replaceChildren();
      const faults = (error.problem?.errors ?? []).map(({ detail }) => detail);
      byId("lifter-told").textContent = [error.message, ...faults].join(" ");
      if (!(error instanceof Refused)) throw error;
      tell(null);
    }
  });
  return formOf(show);
}
