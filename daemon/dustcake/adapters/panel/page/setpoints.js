// Changing set points in two steps: what would change is shown back by the daemon, and acts only when
// it is confirmed in time.

import { $, el, fill, say } from "./dom.js";
import { post, requests } from "./talk.js";

const FIELDS = [
  ["low_pa", "Cleaning stops at", (status) => status.set_points.low],
  ["high_pa", "Cleaning starts at", (status) => status.set_points.high],
  ["interval_s", "From pulse to pulse, s", (status) => status.interval],
  ["on_time_s", "Valve on-time, s", (status) => status.on_time],
];
const NAMES = { low_pa: "cleaning stops at", high_pa: "cleaning starts at", interval_s: "from pulse to pulse", on_time_s: "valve on-time" };

export class SetPoints {
  constructor(view, people) {
    this.view = view;
    this.people = people;
    this.change = null;
    $("points-open").addEventListener("click", () => this.offer());
    $("points-form").addEventListener("submit", (event) => { event.preventDefault(); this.propose(); });
    $("points-confirm").addEventListener("click", () => this.confirm());
    $("points-dialog").addEventListener("close", () => { this.change = null; });
  }

  show(status) {
    this.status = status;
    $("points-open").hidden = !this.people.may("set_points");
    const held = status.change_held;
    say($("points-held"), held ? `A change waits for ${held.by} to confirm it: ${lines(held.points).join("; ")}.` : "");
  }

  offer() {
    this.change = null;
    this.before = {};
    fill($("points-fields"), ...FIELDS.filter(([, , of]) => of(this.status)).map(([name, label, of]) => {
      const point = of(this.status);
      const [number, unit] = name.endsWith("_pa") ? point.display.split(" ") : [String(point.value), ""];
      this.before[name] = number;
      return el("label", {}, unit ? `${label}, ${unit}` : label,
        el("input", { name, value: number, inputmode: "decimal", required: true, autocomplete: "off", maxlength: 12, "data-unit": unit }));
    }));
    this.stage(false);
    say($("points-refusal"), "");
    if (!$("points-dialog").open) $("points-dialog").showModal();
  }

  stage(shown) {
    $("points-fields").hidden = shown;
    $("points-ask").hidden = shown;
    $("points-shown").hidden = !shown;
    $("points-confirm").hidden = !shown;
  }

  async propose() {
    const fields = {};
    for (const box of $("points-fields").querySelectorAll("input")) {
      const text = box.value.trim().replace(",", ".");
      // What was not touched is not requested: shown rounded, it would come back as another value.
      if (text === this.before[box.name]) continue;
      fields[box.name] = box.dataset.unit ? `${text} ${box.dataset.unit}` : Number(text);
    }
    if (!Object.keys(fields).length) return say($("points-refusal"), "Nothing is changed yet.");
    const answer = await this.send({ request: "set_points", ...fields });
    if (!answer.accepted) return say($("points-refusal"), `Refused: ${answer.reason}.`);
    say($("points-refusal"), "");
    this.change = answer.change;
    fill($("points-shown"), el("p", {}, `${answer.reason}.`), el("ul", { class: "reasons" }, ...lines(answer.points).map((line) => el("li", {}, line))));
    this.stage(true);
    $("points-confirm").focus();
  }

  async confirm() {
    const answer = await this.send({ request: "confirm", change: this.change });
    if (!answer.accepted) {
      this.stage(false);
      return say($("points-refusal"), `Refused: ${answer.reason}.`);
    }
    $("points-dialog").close();
    this.people.report("Done: the set points are in force.");
  }

  send(fields) {
    return post(requests(this.view), { ...fields, collector: this.view.collector }, this.people.who.token);
  }
}

const lines = (points) => points.map((one) => `${NAMES[one.set_point] ?? one.set_point}: ${one.before.display} → ${one.after.display}`);
