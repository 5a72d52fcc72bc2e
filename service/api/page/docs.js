"use strict";
// Starts Swagger UI on the service's own document, and adds what it lacks for keyboard and ear.

const dark = matchMedia("(prefers-color-scheme: dark)");
const shade = () => document.documentElement.classList.toggle("dark-mode", dark.matches);
dark.addEventListener("change", shade);
shade();

// Requests go below the folder of this page, whatever a proxy puts before it.
const BesideThisPage = {
  statePlugins: {
    spec: {
      wrapActions: {
        updateJsonSpec: (update) => (api) => update({ ...api, servers: [{ url: "." }] }),
      },
    },
  },
};

// The path of an operation is inside the button that opens it, so it must not be a link as well.
const NoLinkInButton = {
  wrapComponents: {
    DeepLink: (Original, system) => (props) =>
      system.React.createElement(Original, { ...props, enabled: false }),
  },
};

// Attributes that are missing, by element.
const MISSING = [
  [".information-container section", { "aria-label": "About" }],
  [".scheme-container > section", { "aria-label": "Key" }],
  ["pre.microlight, .operation-link pre", { tabindex: "0" }], // may scroll
  ["textarea.body-param__text", { "aria-label": "Request body", spellcheck: "false" }],
  [".modal-ux", { role: "dialog", "aria-modal": "true", "aria-label": "Authorize" }],
  [".modal-ux .close-modal", { "aria-label": "Close" }],
  ["#auth-bearer-value", { "aria-label": "Token", autocomplete: "off", spellcheck: "false" }],
];

const amend = () => {
  for (const [selector, attributes] of MISSING)
    for (const element of document.querySelectorAll(selector))
      for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
};

// The dialog closes by Escape, too, and the focus goes back to where it was opened from.
let before = null;
let open = false;
document.addEventListener("focusin", ({ target }) => {
  if (!target.closest(".dialog-ux")) before = target;
});
document.addEventListener("keydown", ({ key }) => {
  if (key === "Escape") document.querySelector(".modal-ux .close-modal")?.click();
});
const followDialog = () => {
  const there = document.querySelector(".modal-ux") !== null;
  if (open && !there) before?.focus();
  open = there;
};

new MutationObserver(() => {
  amend();
  followDialog();
}).observe(document.getElementById("page"), { childList: true, subtree: true });

// Not by the address: what stands behind its # is the operation that is open.
document.querySelector(".skip").addEventListener("click", (event) => {
  event.preventDefault();
  const operations = document.getElementById("operations");
  operations?.scrollIntoView();
  operations?.focus();
});

SwaggerUIBundle({
  dom_id: "#page",
  url: "openapi.json",
  presets: [SwaggerUIBundle.presets.apis],
  plugins: [BesideThisPage, NoLinkInButton],
  layout: "BaseLayout",
  deepLinking: true,
  tryItOutEnabled: true,
  persistAuthorization: false,
  validatorUrl: null,
  defaultModelsExpandDepth: 0,
});
