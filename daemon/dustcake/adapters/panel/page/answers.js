// The form of one action: what a person is asked, and what they answered.

import { el } from "./dom.js";

const UNIT_HINT = "a number with its unit, as 1.2 inH2O";

export function form(action, send) {
  const fields = action.asks.map((ask) => [ask, input(action, ask)]);
  const made = el("form", { class: "action", "data-action": action.action },
    ...fields.map(([ask, box]) => labelled(ask, box)),
    el("button", { type: "submit" }, action.title));
  made.addEventListener("submit", (event) => {
    event.preventDefault();
    const answers = {};
    for (const [ask, box] of fields) {
      const value = ask.form === "consent" ? box.checked : box.value;
      if (value !== "") answers[ask.name] = value;
    }
    send(answers);
    // A consent holds for once.
    for (const [ask, box] of fields) if (ask.form === "consent") box.checked = false;
  });
  return made;
}

function labelled(ask, box) {
  if (ask.form === "consent") return el("label", { class: "consent" }, box, el("span", {}, ask.label));
  const hints = [ask.form === "pressure" ? UNIT_HINT : null, ask.required ? null : "may be left empty"].filter(Boolean);
  return el("label", {}, hints.length ? `${ask.label} (${hints.join("; ")})` : ask.label, box);
}

function input(action, ask) {
  const name = `${action.action}.${ask.name}`;
  const required = ask.required && !ask.default;
  if (ask.form === "consent") return el("input", { type: "checkbox", name, required: true });
  if (ask.form === "yes_no") return choice(name, required, ["yes", "no"], "");
  if (ask.form === "choice") return choice(name, required, ask.choices, ask.default);
  if (ask.form === "number") {
    return el("input", { type: "number", name, required, step: "any", inputmode: "decimal", min: ask.low, max: ask.high, value: ask.default });
  }
  return el("input", { name, required, maxlength: 200, autocomplete: "off", value: ask.default });
}

function choice(name, required, choices, chosen) {
  const offered = chosen ? choices : ["", ...choices];
  return el("select", { name, required }, ...offered.map((one) =>
    el("option", { value: one, selected: one === chosen }, one.replaceAll("_", " ") || "choose")));
}
