// The form of one action: its fields, and what a person has put into them.

import { el } from "./dom.js";

const UNIT_HINT = "a number with its unit, as 1.2 inH2O";

export function form(action, send) {
  const fields = action.asks.map((field) => [field, input(action, field)]);
  const made = el("form", { class: "action", "data-action": action.action },
    ...fields.map(([field, box]) => labelled(field, box)),
    el("button", { type: "submit" }, action.title));
  made.addEventListener("submit", (event) => {
    event.preventDefault();
    const answers = {};
    for (const [field, box] of fields) {
      const value = field.form === "consent" ? box.checked : box.value;
      if (value !== "") answers[field.name] = value;
    }
    send(answers);
    // A consent holds for once.
    for (const [field, box] of fields) if (field.form === "consent") box.checked = false;
  });
  return made;
}

function labelled(field, box) {
  if (field.form === "consent") return el("label", { class: "consent" }, box, el("span", {}, field.label));
  const hints = [field.form === "pressure" ? UNIT_HINT : null, field.required ? null : "may be left empty"].filter(Boolean);
  return el("label", {}, hints.length ? `${field.label} (${hints.join("; ")})` : field.label, box);
}

function input(action, field) {
  const name = `${action.action}.${field.name}`;
  const required = field.required && !field.default;
  if (field.form === "consent") return el("input", { type: "checkbox", name, required: true });
  if (field.form === "yes_no") return choice(name, required, ["yes", "no"], "");
  if (field.form === "choice") return choice(name, required, field.choices, field.default);
  if (field.form === "number") {
    return el("input", { type: "number", name, required, step: "any", inputmode: "decimal", min: field.low, max: field.high, value: field.default });
  }
  return el("input", { name, required, maxlength: 200, autocomplete: "off", value: field.default });
}

function choice(name, required, choices, chosen) {
  const offered = chosen ? choices : ["", ...choices];
  return el("select", { name, required }, ...offered.map((one) =>
    el("option", { value: one, selected: one === chosen }, one.replaceAll("_", " ") || "choose")));
}
