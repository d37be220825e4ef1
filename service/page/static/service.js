// Speaks with the service that served this page, and with nobody else.

import { byId, later } from "./dom.js";

const KEPT = "effort-key"; // in this tab only
let key = null;
let lifters = [];
// The page speaks one language, whatever the browser prefers: texts of the service are to match its own.
const SPOKEN = document.documentElement.lang;

export async function openAccess() {
  const access = await (await fetch("/page/access", { cache: "no-store" })).json();
  key = access.key ?? sessionStorage.getItem(KEPT);
  lifters = access.lifters ?? [];
  if (key === null) askForKey("");
}

export function offeredLifters() {
  return lifters;
}

function askForKey(fault) {
  byId("key-form").hidden = false;
  byId("key-fault").textContent = fault;
  byId("key-entry").setAttribute("aria-invalid", fault ? "true" : "false");
}

export function onKey(use) {
  byId("key-form").addEventListener("submit", (event) => {
    event.preventDefault();
    key = byId("key-entry").value.trim();
    byId("key-entry").value = "";
    sessionStorage.setItem(KEPT, key);
    byId("key-form").hidden = true;
    use();
  });
}

export class Refused extends Error {
  constructor(problem) {
    super(problem.detail ?? problem.title);
    this.problem = problem;
  }
}

// Gives what the service answers. Throws Refused with the problem (RFC 9457), or AbortError.
export async function call(path, { body, signal, accept = "application/json" } = {}) {
  if (key === null) throw new Refused({ status: 401, title: "No key yet" });
  const headers = { accept, "accept-language": SPOKEN, authorization: `Bearer ${key}` };
  if (body !== undefined) headers["content-type"] = "application/json";
  const answer = await fetch(path, {
    method: body === undefined ? "GET" : "POST",
    headers,
    body: body === undefined ? undefined : JSON.stringify(body),
    signal,
    cache: "no-store",
  });
  if (answer.ok) return accept === "application/json" ? answer.json() : answer.text();
  const problem = await answer.json().catch(() => ({ status: answer.status, title: answer.statusText }));
  if (answer.status === 401) {
    sessionStorage.removeItem(KEPT);
    askForKey("The service knows no live key of this text.");
  }
  throw new Refused(problem);
}

// Runs the newest question only: an older one that is still under way is given up. `place`, where the answer is shown,
// says to screen readers that it is not complete yet.
export function newest(place, ask) {
  let running = null;
  const giveUp = () => {
    running?.abort();
    running = null;
    place.setAttribute("aria-busy", "true");
  };
  const run = async (...told) => {
    giveUp();
    const mine = new AbortController();
    running = mine;
    try {
      await ask(mine.signal, ...told);
    } catch (error) {
      if (!mine.signal.aborted) tell(error);
    }
    if (running === mine) place.setAttribute("aria-busy", "false");
  };
  return Object.assign(run, { giveUp });
}

// Asks after a pause in what is entered; what is shown counts as not complete from the first change on, and what was
// asked before is of no use any more. `before` runs when the pause is over.
export function afterPause(milliseconds, ask, before = () => {}) {
  const paused = later(milliseconds, () => {
    before();
    ask();
  });
  return () => {
    ask.giveUp();
    paused();
  };
}

export function tell(error) {
  const place = byId("trouble");
  place.hidden = error === null;
  if (error === null) return;
  const away = error instanceof TypeError; // fetch's word for nobody there
  place.textContent = away ? "The service does not answer. Is it still running?" : error.message;
}

const open = new Map();
export function catalogue(path) {
  if (!open.has(path)) open.set(path, fetch(path, { headers: { "accept-language": SPOKEN } }).then((answer) => answer.json()));
  return open.get(path);
}
