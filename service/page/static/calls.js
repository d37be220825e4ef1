// The exact request in three languages, and the exact answer, to copy. The key stays out: it is read where it is kept.

import { el } from "./dom.js";

function python(value, indent = "") {
  if (value === null) return "None";
  if (value === true) return "True";
  if (value === false) return "False";
  if (typeof value !== "object") return JSON.stringify(value);
  const inner = `${indent}    `;
  if (Array.isArray(value)) {
    if (!value.length) return "[]";
    return `[\n${value.map((each) => `${inner}${python(each, inner)},\n`).join("")}${indent}]`;
  }
  const entries = Object.entries(value);
  if (!entries.length) return "{}";
  return `{\n${entries.map(([k, v]) => `${inner}${JSON.stringify(k)}: ${python(v, inner)},\n`).join("")}${indent}}`;
}

const WAYS = {
  curl: (url, body) =>
    `curl -s '${url}' \\\n  -H "Authorization: Bearer $KEY" -H 'Content-Type: application/json' \\\n  -d '${JSON.stringify(body).replaceAll("'", "'\\''")}'\n`,
  Python: (url, body) => `import json
import os
import urllib.request

context = ${python(body)}
request = urllib.request.Request(
    ${JSON.stringify(url)},
    data=json.dumps(context).encode(),
    headers={"Authorization": f"Bearer {os.environ['KEY']}", "Content-Type": "application/json"},
)
with urllib.request.urlopen(request) as answer:
    print(json.load(answer))
`,
  TypeScript: (url, body) => `const response = await fetch(${JSON.stringify(url)}, {
  method: "POST",
  headers: { Authorization: \`Bearer \${process.env.KEY}\`, "Content-Type": "application/json" },
  body: JSON.stringify(${JSON.stringify(body, null, 2).replaceAll("\n", "\n  ")}),
});
if (!response.ok) throw new Error((await response.json()).detail);
console.log(await response.json());
`,
};

function copied(text, button) {
  const done = (word) => {
    const was = button.dataset.name;
    button.textContent = word;
    setTimeout(() => (button.textContent = was), 2000);
  };
  return navigator.clipboard
    ? navigator.clipboard.writeText(text).then(() => done("Copied"), () => done("Select the text below"))
    : done("Select the text below");
}

function copyButton(name, textOf, pre) {
  const button = el("button", { type: "button", "data-name": name, "aria-live": "polite" }, name);
  button.addEventListener("click", () => {
    if (pre) pre.textContent = textOf();
    copied(textOf(), button);
  });
  return button;
}

// `more` are buttons of the view.
export function exactCalls(path, body, answer, ...more) {
  const url = `${location.origin}${path}`;
  const shown = el("pre", { tabindex: "0", role: "region", "aria-label": "The request", "data-request": true }, WAYS.curl(url, body));
  const answered = JSON.stringify(answer, null, 2);
  const ways = Object.entries(WAYS).map(([name, write]) => copyButton(`Copy as ${name}`, () => write(url, body), shown));
  return el(
    "section",
    { class: "exact no-print" },
    el("h3", {}, "Request and answer"),
    el("p", { class: "buttons" }, ways, copyButton("Copy the answer", () => answered), more),
    el("p", { class: "hint" }, "KEY is your API key, in the environment."),
    el("details", {}, el("summary", {}, "The request"), shown),
    el(
      "details",
      {},
      el("summary", {}, "The answer"),
      el("pre", { tabindex: "0", role: "region", "aria-label": "The answer", "data-answer": true }, answered),
    ),
  );
}
