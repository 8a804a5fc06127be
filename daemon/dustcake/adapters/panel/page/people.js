// Who is signed in, what they may request, and requesting it.

import { $, say } from "./dom.js";
import { post, requests } from "./talk.js";

export class People {
  constructor(view, changed) {
    this.view = view;
    this.changed = changed;
    this.who = { may: [] };
    $("sign-in").addEventListener("click", () => (this.who.user ? this.signOut() : this.offer()));
    $("sign-in-form").addEventListener("submit", (event) => { event.preventDefault(); this.signIn(); });
    $("ask-form").addEventListener("submit", (event) => { event.preventDefault(); this.confirmed(); });
    for (const button of document.querySelectorAll("[data-close]")) {
      button.addEventListener("click", () => button.closest("dialog").close());
    }
  }

  may(name) { return this.who.may.includes(name); }

  async learn() {
    this.who = await (await fetch("/api/who", { cache: "no-store" })).json();
    say($("sign-in"), this.who.user ? `Sign out ${this.who.user}` : "Sign in");
    return this.who;
  }

  offer() {
    say($("sign-in-refusal"), "");
    if (!$("sign-in-dialog").open) $("sign-in-dialog").showModal();
  }

  async signIn() {
    const fields = { user: $("user").value, password: $("password").value };
    const answer = await post("/api/sign-in", fields);
    $("password").value = "";
    if (!answer.accepted) return say($("sign-in-refusal"), answer.reason);
    $("sign-in-dialog").close();
    this.changed();
  }

  async signOut() {
    await post("/api/sign-out", {});
    this.changed();
  }

  async request(fields) {
    const answer = await post(requests(this.view), { ...fields, collector: this.view.collector }, this.who.token);
    const what = fields.request.replaceAll("_", " ");
    this.report(answer.accepted ? `Done: ${what}.` : `Refused: ${what}: ${answer.reason}.`);
    return answer.accepted;
  }

  report(text) {
    const said = $("said");
    said.hidden = false;
    say(said, text);
    clearTimeout(this.quiet);
    this.quiet = setTimeout(() => { said.hidden = true; }, 15000);
  }

  // What is to be done is shown again before it is.
  confirmFirst(fields, { title, text, why = false, time = false, done }) {
    this.pending = { fields, why, time };
    say($("ask-h"), title);
    say($("ask-text"), text);
    say($("ask-do"), done);
    $("ask-why-label").hidden = !why;
    $("ask-why").required = why;
    $("ask-why").value = "";
    $("ask-for-label").hidden = !time;
    $("ask-dialog").showModal();
  }

  confirmed() {
    const { fields, why, time } = this.pending;
    $("ask-dialog").close();
    if (why) fields.why = $("ask-why").value;
    if (time) fields.for_s = Number($("ask-for").value);
    this.request(fields);
  }
}
