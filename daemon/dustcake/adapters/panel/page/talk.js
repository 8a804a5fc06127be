// The connection with the daemon: what it sends by itself, and requests to it.

const STALE_AFTER_MS = 5000;

export async function get(path) {
  const answer = await fetch(path, { cache: "no-store" });
  if (!answer.ok) throw new Error(await reason(answer));
  return answer;
}

async function reason(answer) {
  try {
    return (await answer.json()).reason ?? `refused (${answer.status})`;
  } catch {
    return `refused (${answer.status})`;
  }
}

// Where requests go; answers come in words of the unit that is shown.
export const requests = (view) => `/api/request?unit=${view.unit}`;

export async function post(path, fields, token) {
  const headers = { "content-type": "application/json" };
  if (token) headers["x-dustcake-token"] = token;
  try {
    const answer = await fetch(path, { method: "POST", headers, body: JSON.stringify(fields) });
    return await answer.json();
  } catch {
    return { accepted: false, reason: "the daemon did not answer; nothing is known to have been done" };
  }
}

// Keeps an event stream open for ever. A browser begins again by itself when a connection is lost,
// but not after a refusal, nor when a connection goes quiet without ending: then it is begun anew.
export class Stream {
  constructor({ whole, stale, fresh, refused }) {
    this.handlers = { whole, stale, fresh, refused };
    this.heard = null;
    this.isStale = false;
    setInterval(() => this.look(), 1000);
  }

  open(path) {
    this.path = path;
    this.status = null;
    this.begin();
  }

  begin() {
    this.source?.close();
    this.begun = performance.now();
    const source = new EventSource(this.path);
    this.source = source;
    const take = (event, before) => {
      if (source !== this.source) return;
      this.status = { ...before, ...JSON.parse(event.data) };
      this.heard = performance.now();
      if (this.isStale) this.handlers.fresh();
      this.isStale = false;
      this.handlers.whole(this.status);
    };
    source.addEventListener("whole", (event) => take(event, {}));
    source.addEventListener("changed", (event) => take(event, this.status));
  }

  look() {
    if (!this.path) return;
    const now = performance.now();
    const quiet = now - (this.heard ?? this.begun);
    if (quiet < STALE_AFTER_MS) return;
    this.isStale = true;
    this.handlers.stale(this.heard === null ? null : quiet / 1000);
    if (now - this.begun >= STALE_AFTER_MS) {
      this.handlers.refused();
      this.begin();
    }
  }
}
