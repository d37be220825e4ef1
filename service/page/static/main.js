// Opens the page: access, the views, and which of them is shown.

import { byId } from "./dom.js";
import { onKey, openAccess, tell } from "./service.js";
import { openLifter } from "./lifter.js";
import { openPlan } from "./plan.js";
import { openSet } from "./set.js";

const VIEWS = { set: openSet, plan: openPlan, lifter: openLifter };
const opened = new Map();
let access = null;

// What failed is asked for again the next time it is needed: the service may be back.
function ready() {
  access ??= openAccess().catch((error) => {
    access = null;
    throw error;
  });
  return access;
}

function wanted() {
  const name = location.hash.slice(1);
  return name in VIEWS ? name : null;
}

async function show(name) {
  for (const section of document.querySelectorAll("[data-view]")) section.hidden = section.dataset.view !== name;
  for (const link of document.querySelectorAll("nav a")) {
    if (link.hash === `#${name}`) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  document.title = `${byId(`${name}-title`).textContent} \u2013 Effort prescription`;
  await ready();
  if (!opened.has(name)) opened.set(name, VIEWS[name]());
  const open = await opened.get(name).catch((error) => {
    opened.delete(name);
    throw error;
  });
  return open();
}

function showWanted() {
  const name = wanted();
  if (name !== null) show(name).catch(tell);
}

addEventListener("hashchange", showWanted);
onKey(() => {
  tell(null);
  show(wanted() ?? "set").catch(tell);
});
show(wanted() ?? "set").catch(tell);
