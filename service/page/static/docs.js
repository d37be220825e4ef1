// The contract, drawn by Swagger UI. Nothing is asked of another origin: no validator, no fonts, no pictures.
import { byId, el } from "./dom.js";

const LIFTER = "{lifter_id}";

function loaded(address) {
  return new Promise((done, failed) => {
    const script = el("script", { src: address });
    script.addEventListener("load", done);
    script.addEventListener("error", () => failed(new Error(`${address} cannot be loaded`)));
    document.head.append(script);
  });
}

async function told(address, headers = {}) {
  const answer = await fetch(address, { headers });
  if (!answer.ok) throw new Error(`${address} answered ${answer.status}`);
  return answer.json();
}

// The examples of the document are of a lifter who may not be here: those the page may show take that place.
async function withLifters(contract, access) {
  const [lifter] = access.lifters;
  if (!lifter) return contract;
  const headers = { authorization: `Bearer ${access.key}` };
  const newest = `/v1/lifters/${encodeURIComponent(lifter.lifter_id)}/sets?limit=1`;
  const { sets: [set] } = await told(newest, headers).catch(() => ({ sets: [] })); // the key may not read
  const known = { lifter_id: lifter.lifter_id, set_id: set?.set_id };
  for (const [path, operations] of Object.entries(contract.paths)) {
    if (!path.includes(LIFTER)) continue;
    for (const operation of Object.values(operations)) {
      for (const parameter of operation.parameters) {
        if (parameter.in === "path" && known[parameter.name]) parameter.example = known[parameter.name];
      }
    }
  }
  return contract;
}

function followDaylight() {
  const night = matchMedia("(prefers-color-scheme: dark)");
  const follow = () => document.documentElement.classList.toggle("dark-mode", night.matches);
  night.addEventListener("change", follow);
  follow();
}

// Swagger UI puts a link into the button that opens an operation, which a screen reader cannot reach: its text stays.
const plainPaths = () => ({
  wrapComponents: {
    DeepLink: (_, { React }) => ({ text }) => React.createElement("span", {}, text),
  },
});

function nameOf(control) {
  if (control.matches(".examples-select-element")) return "Example";
  const parameter = control.closest("[data-param-name]");
  if (parameter) return parameter.dataset.paramName;
  return control.matches("textarea") ? "Body" : "Media type";
}

// What Swagger UI leaves without a name, or out of the keyboard's reach; it draws anew with every click.
function mended(drawn) {
  const mend = () => {
    for (const control of drawn.querySelectorAll("select:not([aria-label]), textarea:not([aria-label])")) {
      control.setAttribute("aria-label", nameOf(control));
    }
    for (const box of drawn.querySelectorAll(":is(.microlight, .curl):not([tabindex])")) box.tabIndex = 0;
    drawn.querySelector("main")?.setAttribute("role", "presentation"); // ours is the page's
  };
  new MutationObserver(mend).observe(drawn, { childList: true, subtree: true });
}

async function draw() {
  followDaylight();
  mended(byId("swagger-ui"));
  const [contract, access] = await Promise.all([
    told("/openapi.json"), told("/page/access"), loaded("/docs/swagger-ui-bundle.js"),
  ]);
  const shown = window.SwaggerUIBundle({
    spec: await withLifters(contract, access),
    domNode: byId("swagger-ui"),
    deepLinking: true,
    defaultModelsExpandDepth: 0,
    docExpansion: "list",
    plugins: [plainPaths],
    syntaxHighlight: false, // its colours are too pale to read
    tryItOutEnabled: true,
    validatorUrl: null,
    onComplete: () => {
      if (access.key) shown.preauthorizeApiKey("apiKey", access.key);
    },
  });
  byId("docs-key").textContent = access.key
    ? "A key that may prescribe and read is in place; \u201cAuthorize\u201d takes another."
    : "\u201cAuthorize\u201d takes your API key. It is forgotten when the page is closed.";
}

draw().catch((error) => {
  byId("docs-key").textContent = `The contract cannot be drawn: ${error.message}`;
});
