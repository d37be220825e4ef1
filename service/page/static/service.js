// Speaks with the service that served this page, and with nobody else.

import { byId, later } from "./dom.js";

const KEPT = "effort-key"; // in this tab only
let key = null;
let lifters = [];
// The page speaks one language, whatever the browser prefers: texts of the service are to match its own.
const SPOKEN = document.documentElement.lang;

// What a key may be made of; anything else cannot stand in a header.
const SENDABLE = /^[\x21-\x7e]+$/;

class Away extends Error {
  constructor() {
    super("The service does not answer. Is it still running?");
  }
}

async function asked(path, options) {
  try {
    return await fetch(path, options);
  } catch (error) {
    throw error.name === "AbortError" ? error : new Away();
  }
}

export async function openAccess() {
  const access = await (await asked("/page/access", { cache: "no-store" })).json();
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
  if (fault && document.activeElement === document.body) byId("key-entry").focus(); // it was here, and the form went away
}

export function onKey(use) {
  byId("key-form").addEventListener("submit", (event) => {
    event.preventDefault();
    const entered = byId("key-entry").value.trim();
    if (!SENDABLE.test(entered)) {
      askForKey("This cannot be a key. Copy it again, all of it and nothing else.");
      return;
    }
    key = entered;
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

function problemOf(answer) {
  return answer.json().catch(() => ({ status: answer.status, title: answer.statusText }));
}

// Gives what the service answers. Throws Refused with the problem (RFC 9457), or AbortError.
export async function call(path, { body, signal, accept = "application/json" } = {}) {
  if (key === null) throw new Refused({ status: 401, title: "A key is needed." });
  const headers = { accept, "accept-language": SPOKEN, authorization: `Bearer ${key}` };
  if (body !== undefined) headers["content-type"] = "application/json";
  const answer = await asked(path, {
    method: body === undefined ? "GET" : "POST",
    headers,
    body: body === undefined ? undefined : JSON.stringify(body),
    signal,
    cache: "no-store",
  });
  if (answer.ok) return accept === "application/json" ? answer.json() : answer.text();
  const problem = await problemOf(answer);
  if (answer.status === 401) {
    sessionStorage.removeItem(KEPT);
    problem.detail = "The service knows no live key of this text.";
    askForKey(problem.detail);
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
  const atKey = error instanceof Refused && error.problem.status === 401; // told where the key is asked for
  place.hidden = error === null || atKey;
  place.textContent = place.hidden ? "" : error.message;
}

const open = new Map();

async function opened(path) {
  const answer = await asked(path, { headers: { "accept-language": SPOKEN } });
  if (!answer.ok) throw new Refused(await problemOf(answer));
  return answer.json();
}

// What hardly changes is asked for once; after a failure, again.
export function catalogue(path) {
  if (!open.has(path)) {
    const found = opened(path);
    found.catch(() => open.delete(path));
    open.set(path, found);
  }
  return open.get(path);
}
