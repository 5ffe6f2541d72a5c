// The page of a bench: every rig with what is mounted, what runs, and what came of it. All of it comes over the API; nothing is
// decided here, and nothing here is kept but how it looks.
import { Chart } from "/chart.js";
import { LANGUAGES, filled } from "/words.js";

const bench = document.getElementById("bench");
const rigs = new Map();
let words = LANGUAGES.en;
let chosen = null;

/** Makes an element: attributes, texts and children; never markup from outside. */
function element(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (value === true) made.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) made.setAttribute(key, value);
  }
  made.append(...children.filter((child) => child !== null && child !== undefined && child !== ""));
  return made;
}

async function call(method, path, body, within_ms = 20_000) {
  const signal = AbortSignal.timeout(within_ms);
  const response = await fetch(path, { method, signal, headers: { "content-type": "application/json" }, body: JSON.stringify(body) });
  if (response.ok) return response.status === 202 ? null : response.json();
  const problem = await response.json().catch(() => ({ title: response.statusText, detail: "" }));
  throw Object.assign(new Error(problem.detail || problem.title), { problem });
}

const SHAPES = {
  pass: "M12 1a11 11 0 1 0 0 22a11 11 0 0 0 0-22zM10 17l-5-5l2-2l3 3l7-7l2 2z",
  fail: "M4 1l8 8l8-8l3 3l-8 8l8 8l-3 3l-8-8l-8 8l-3-3l8-8l-8-8z",
  undecided: "M12 1l11 11l-11 11L1 12zM12 4.5L4.5 12h15z",
  aborted: "M2 2h6v3H5v3H2zM16 2h6v6h-3V5h-3zM2 16h3v3h3v3H2zM19 16h3v6h-6v-3h3z",
  measured: "M12 1a11 11 0 1 0 0 22a11 11 0 0 0 0-22zM12 5a7 7 0 1 1 0 14a7 7 0 0 1 0-14z",
};
SHAPES["set-aside"] = SHAPES.aborted;

function shape(verdict) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("viewBox", "0 0 24 24");
  svg.setAttribute("aria-hidden", "true");
  const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
  path.setAttribute("d", SHAPES[verdict]);
  path.setAttribute("fill", "currentColor");
  path.setAttribute("fill-rule", "evenodd");
  svg.append(path);
  return svg;
}

function bar(place) {
  if (place === null || place === undefined) return "";
  if (place < 0) return "o[=======]";
  if (place > 1) return "[=======]o";
  const at = Math.min(6, Math.floor(place * 7));
  return `[${"=".repeat(at)}o${"=".repeat(6 - at)}]`;
}

class Rig {
  constructor(state) {
    this.state = state;
    this.pending = "";
    this.repeat = null;
    this.left = 0;
    this.level = null;
    this.name = element("h1");
    this.names = element("div", { class: "names" });
    // STOP TEST acts on touch, not on release: stopping early harms nothing, late may (WCAG 2.5.2, exception "essential").
    this.stopButton = element("button", { class: "stop", type: "button", onpointerdown: (event) => { event.stopPropagation(); this.stop(); }, onclick: () => this.stop() });
    this.sentence = element("div", { class: "sentence", role: "status", "aria-live": "polite" });
    this.message = element("p", { class: "message", role: "alert" });
    this.scan = element("input", { class: "scan", type: "text", autocomplete: "off", spellcheck: "false", maxlength: "80", inputmode: "text" });
    this.scan.addEventListener("keydown", (event) => {
      if (event.key !== "Enter") return;
      event.preventDefault();
      const text = this.scan.value.trim();
      this.scan.value = "";
      if (text) this.take(text);
    });
    this.here = element("span", { class: "here" });
    this.work = element("div", { class: "work" });
    this.canvas = element("canvas", { role: "img" });
    this.chart = new Chart(this.canvas);
    this.figures = element("p", { class: "figures" });
    this.actions = element("div", { class: "actions" });
    this.element = element("section", { class: "rig", onpointerdown: () => choose(this), onfocusin: () => choose(this) },
      element("div", { class: "strip" }, this.names, this.stopButton), this.sentence, this.message, element("div", { class: "scanning" }, this.scan, this.here), this.work, this.actions);
    this.connected = true;
    this.inSight = true;
    // A bench of many rigs draws only those on the screen.
    new IntersectionObserver(([entry]) => { this.inSight = entry.isIntersecting; this.draw(); }).observe(this.element);
    this.show();
  }

  path(rest) { return `/api/v1/rigs/${encodeURIComponent(this.state.rig)}${rest}`; }

  changed(state) {
    if (state.run?.run !== this.state.run?.run) this.chart.clear();
    this.state = state;
    this.left = state.run?.left_s ?? 0;
    this.show();
  }

  sampled(samples) {
    this.chart.add(samples);
    this.left = samples.left_s;
    if (samples.level.length) this.level = samples.level[samples.level.length - 1];
    // The oldest reading that is not on the screen yet.
    if (samples.t.length) this.oldest_ms ??= samples.zero_ms + samples.t[0] * 1e3;
    if (this.drawing) return;
    this.drawing = true;
    requestAnimationFrame(() => {
      this.drawing = false;
      // The page's own mark of when this was on the screen.
      if (this.draw() && this.oldest_ms !== undefined) {
        performance.clearMarks("tripbench-shown");
        performance.mark("tripbench-shown", { detail: { rig: this.state.rig, late_ms: Date.now() - this.oldest_ms } });
      }
      this.oldest_ms = undefined;
    });
  }

  running() { return this.state.doing === "running"; }
  /** A run was asked for, and nothing is known of it yet. */
  preparing() { return this.state.queue.length > 0 || (this.running() && !this.state.run); }
  mounted() { return this.state.round.places.filter((place) => place.serial !== null || place.own_number); }
  /** What was started is not the next round: the first scan after it begins a new one. */
  begun() { return this.state.round.started; }

  /** A verdict stays until NEXT ROUND, also where the next devices were scanned meanwhile. */
  verdictShown() { return Boolean(this.state.run?.over) && !this.running() && !this.preparing() && this.seen !== this.state.run.run; }

  /** One scan after the other: a quick scanner loses none. */
  take(serial) {
    this.line = (this.line ?? Promise.resolve()).then(() => this.takeOne(serial), () => this.takeOne(serial));
    return this.line;
  }

  async takeOne(serial, tries = 0) {
    const fresh = this.begun();
    const places = fresh ? [] : this.mounted();
    const free = this.state.round.places.find((place) => !places.some((other) => other.position === place.position));
    if (!free) return this.say(filled(words.full, serial));
    const twin = places.find((place) => place.serial === serial);
    if (twin && this.repeat !== serial) {
      this.repeat = serial;
      return this.say(filled(words.twice, serial, twin.position, free.position));
    }
    this.repeat = null;
    return this.mount([...places, { position: free.position, serial }], serial, tries);
  }

  async mount(places, serial, tries = 0) {
    const sent = places.map(({ position, serial: text, own_number }) => (text ? { position, serial: text } : { position, own_number: Boolean(own_number) }));
    try {
      const round = await call("PUT", this.path("/round"), { revision: this.state.round.revision, places: sent });
      if (round.revision > this.state.round.revision) this.state = { ...this.state, round, failed: null };
      this.say("");
      this.show();
    } catch (error) {
      if (error.problem?.type === "/problems/round-changed" && serial && tries < 5) {
        // Another window was quicker: on what is there now.
        this.changed(await (await fetch(this.path(""))).json());
        await this.takeOne(serial, tries + 1);
        return;
      }
      this.say(filled(words.cancelled, error.message));
    }
  }

  async start() {
    if (this.asked) return;
    this.asked = true;
    try {
      await call("POST", this.path("/runs"), { revision: this.state.round.revision, repeats_confirmed: Boolean(this.confirmed) });
      this.confirmed = false;
      this.say("");
    } catch (error) {
      this.say([error.message, ...(error.problem?.findings ?? [])].join("\n"));
      // That a number stands twice is right if START is pressed once more.
      this.confirmed = error.problem?.type === "/problems/serial-twice";
    } finally {
      this.asked = false;
    }
  }

  /** Stopping twice is no harm; not to have stopped is said at once. */
  stop() {
    call("POST", this.path("/stop"), {}, 1_500).then(() => { this.stopLost = false; this.show(); }, () => { this.stopLost = true; this.show(); });
  }

  answer(question, answer) {
    call("POST", this.path("/answer"), { question, answer, by: words.by }).catch((error) => this.say(error.message));
  }

  say(text) { this.message.textContent = text; }

  /** The sentence that says what happens or what to do, and whether to act. */
  told() {
    const { state } = this, { run } = state;
    if (this.stopLost) return ["hazard", words.stopLost];
    if (!this.connected) return ["hazard", words.lost];
    if (state.outputs_safe === false || (run?.safe === false && state.doing !== "idle")) return ["hazard", words.unsafe];
    if (state.doing === "starting") return ["", words.starting];
    if (state.doing === "ending") return ["", words.ending];
    if (state.doing === "not-ready") return ["hazard", filled(words.notReady, state.problem ?? "")];
    if (state.failed) return ["hazard", filled(words.failed, state.failed)];
    if (this.preparing()) return ["", words.preparing];
    if (this.running() && run && !run.over) {
      if (run.question) return ["act", `➤ ${run.question.text}`];
      if (run.waiting) return ["", filled(words.waiting, run.waiting)];
      if (run.guide) return ["act", `➤ ${words.guide[run.guide.hint] ?? run.guide.hint} ${run.guide.toward ?? ""}`];
      const step = run.steps.find((one) => one.now === "running");
      const name = words.step[step?.name] ?? step?.name ?? "";
      return ["", run.cycle ? filled(words.ramp, name, ...run.cycle) : filled(words.running, name)];
    }
    if (this.verdictShown()) {
      const safe = run.safe ? words.safeNow : "";
      if (run.halted) return ["", `${filled(words.aborted, run.halted)} ${safe}`];
      return ["", `${summary(run.tiles)}. ${safe}`];
    }
    const { length } = this.mounted();
    if (length && !this.begun()) {
      const free = state.round.places.find((place) => !this.mounted().some((other) => other.position === place.position));
      return ["act", `➤ ${free ? filled(words.ready, length, state.round.places.length) : words.allMounted}`];
    }
    return ["act", `➤ ${filled(words.mount, state.round.places[0]?.position ?? 1)}`];
  }

  show() {
    const { state } = this, { run } = state, running = this.running() && run && !run.over;
    this.element.classList.toggle("chosen", chosen === this);
    this.here.textContent = rigs.size > 1 && chosen === this ? `◀ ${words.scansHere}` : "";
    const facts = [words.vacuum + " " + (running ? this.level?.toFixed(state.decimals) ?? "…" : state.level?.toFixed(state.decimals) ?? "?") + " " + state.unit, state.outputs_safe === false ? words.notSafe : running ? "" : state.outputs_safe ? words.safe : ""];
    const reference = state.reference.expired ? filled(words.expired, state.reference.due) : filled(words.due, state.reference.due);
    this.name.textContent = state.rig;
    this.names.replaceChildren(this.name, ...[state.sheets.settings ?? "", reference, state.simulated ? words.simulated : "", run?.trial ? words.trial : ""].filter(Boolean).map((text) => element("span", {}, text)));
    this.stopButton.textContent = words.stop;
    const [kind, text] = this.told();
    this.sentence.className = `sentence ${kind}`;
    if (this.sentence.textContent !== text) this.sentence.textContent = text;
    this.scan.setAttribute("aria-label", words.scan);
    this.scan.placeholder = words.scan;
    const ready = this.verdictShown();
    const tiles = run ? element("div", { class: "tiles" }, ...run.tiles.map((tile) => this.tile(tile, run))) : null;
    const figures = element("p", { class: "note" }, facts.filter(Boolean).join(" · "));
    if (running) {
      this.work.className = "work";
      this.work.replaceChildren(element("div", {}, this.figures, this.canvas), tiles, figures);
    } else if (ready) {
      this.work.className = "work wide";
      this.work.replaceChildren(tiles, ...(this.mounted().length && !this.begun() ? [this.mounts()] : []), figures);
    } else {
      this.work.className = "work wide";
      this.work.replaceChildren(this.mounts(), figures, ...[...state.findings, ...(state.sheets.script ? [] : [words.noScript])].map((text) => element("p", { class: "message" }, text)), element("p", { class: "note" }, `⚠ ${words.caution}`, state.cautions ? ` ${state.cautions}` : ""));
    }
    this.showActions(running, ready);
    if (running) this.draw();
  }

  showActions(running, ready) {
    const { state } = this, { run } = state, button = (label, act, attributes = {}) => element("button", { type: "button", onclick: act, ...attributes }, label);
    const actions = [];
    if (running && run.question) actions.push(button(words.yes, () => this.answer(run.question.number, "yes"), { "data-question": run.question.number }), button(words.no, () => this.answer(run.question.number, "no"), { "data-question": run.question.number }));
    if (running) actions.push(element("div", { class: "steps" }, ...run.steps.map((step) => element("span", { class: step.now }, words.quantity[step.name] ?? step.name))));
    if (!running && !this.preparing() && (!ready || (this.mounted().length && !this.begun()))) {
      const may = !this.begun() && this.mounted().length > 0 && state.doing === "idle" && state.findings.length === 0 && Boolean(state.sheets.script) && !this.preparing();
      // START acts on release, as a click does.
      actions.push(button(`${words.start}${state.predicted_s ? ` · ${filled(words.about, clock(state.predicted_s))}` : ""}`, () => this.start(), { class: "start", disabled: !may }));
      if (!ready) actions.push(button(words.ownNumbers, () => this.mount(this.state.round.places.map(({ position, serial, present }) => (serial ? { position, serial } : present === false ? null : { position, own_number: true })).filter(Boolean))));
      if (this.mounted().length) actions.push(button(words.clear, () => this.mount([])));
    }
    if (ready) {
      actions.push(button(words.next, () => { this.seen = run.run; if (this.begun()) this.mount([]); else this.show(); }, { class: "start", "data-run": run.run }));
      // What was judged is not tested again from here until it says pass: a repeat has to be counted.
      const open = run.tiles.filter((tile) => tile.verdict === "aborted" || tile.verdict === "set-aside");
      if (open.length) actions.push(button(words.again, () => { this.seen = run.run; this.mount(open.map(({ position, serial }) => ({ position, serial }))); }, { "data-run": run.run }));
      actions.push(element("a", { class: "link", href: `/api/v1/runs/${run.run}/report`, target: "_blank", rel: "noopener" }, words.report));
    }
    if (state.queue.length) actions.push(element("span", {}, filled(words.queued, state.queue.length)));
    const focused = this.actions.contains(document.activeElement) ? document.activeElement.textContent : null;
    const before = [...this.actions.children].map((child) => child.outerHTML).join(), after = actions.map((child) => child.outerHTML).join();
    // A button that stays the same stays the same element: a press that is under way is not lost.
    if (before === after) return;
    this.actions.replaceChildren(...actions);
    // The focus stays on the same words, or goes where it does no harm.
    if (focused !== null) ([...this.actions.children].find((child) => child.textContent === focused) ?? this.scan).focus();
  }

  mounts() {
    const next = this.state.round.places.find((place) => !this.mounted().some((other) => other.position === place.position));
    return element("ul", { class: "mounts" }, ...this.state.round.places.map((place) => {
      const who = place.serial ?? (place.own_number ? words.ownNumber : words.empty);
      const seen = place.present === null ? "" : place.present ? words.plugged : words.notPlugged;
      const taken = this.mounted().some((other) => other.position === place.position);
      const drop = () => this.mount(this.mounted().filter((other) => other.position !== place.position));
      return element("li", { class: place === next && !this.begun() ? "next" : "" },
        element("span", {}, element("b", {}, `${place.position}  `), who, element("span", { class: "small" }, seen ? ` · ${seen}` : "")),
        taken ? element("button", { class: "quiet", type: "button", "aria-label": `${words.remove} ${words.position} ${place.position}`, onclick: drop }, "✕") : null);
    }));
  }

  tile(tile, run) {
    const figure = tile.figure, verdict = run.over || tile.verdict === "set-aside" ? tile.verdict : null;
    const value = figure && figure.value !== "–" ? `${words.quantity[figure.quantity] ?? figure.quantity} ${figure.value}` : "";
    return element("div", { class: `tile ${verdict ?? ""}` },
      element("div", {}, element("b", {}, `${tile.position}  `), tile.serial),
      verdict ? element("div", { class: "word" }, shape(verdict), words.verdict[verdict]) : null,
      value ? element("div", {}, value, " ", element("span", { "aria-hidden": "true" }, bar(figure.place))) : null,
      verdict && value ? element("div", { class: "small" }, `± ${figure.uncertainty} · ${words.allowed} ${figure.limits}`) : null,
      !verdict && figure?.outside ? element("div", {}, words.outside) : null,
      verdict && !value && tile.sentence ? element("div", { class: "small" }, tile.sentence) : null,
      verdict && tile.advice ? element("div", {}, `➤ ${tile.advice}`) : null);
  }

  /** Draws the chart where somebody can see it; whether it did. */
  draw() {
    const { run } = this.state;
    if (!run || !this.running() || !this.inSight) return false;
    this.chart.bands = run.bands.map((band) => ({ ...band, name: words.quantity[band.quantity] ?? band.quantity }));
    const taking = run.tiles.map((tile) => tile.position);
    const failing = run.tiles.filter((tile) => tile.figure?.outside).map((tile) => tile.position);
    const shown = taking.length <= 4 ? taking : failing.slice(0, 4);
    const lanes = shown.flatMap((position) => [`${position} switch`, `${position} valve`]).filter((key) => this.chart.changes.has(key));
    this.figures.textContent = `${this.level === null ? "…" : this.level.toFixed(this.state.decimals)} ${this.state.unit} · ${filled(words.left, clock(this.left))}`;
    this.canvas.setAttribute("aria-label", `${words.vacuum} ${this.figures.textContent}`);
    return this.chart.draw(lanes);
  }
}

function summary(tiles) {
  const order = ["fail", "aborted", "set-aside", "undecided", "measured", "pass"];
  return order.map((verdict) => [tiles.filter((tile) => tile.verdict === verdict).length, words.verdict[verdict]]).filter(([count]) => count).map(([count, word]) => `${count} ${word}`).join(" · ");
}

function clock(seconds) {
  const whole = Math.max(0, Math.round(seconds));
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")} min`;
}

function choose(rig) {
  if (chosen === rig) return;
  chosen = rig;
  localStorage.setItem("rig", rig.state.rig);
  for (const one of rigs.values()) one.show();
}

// A scanner is a keyboard that types fast and ends with Enter. What it types goes to the rig that is chosen, whatever has the
// focus, and the Enter at its end presses nothing. There are no shortcuts of single letters.
let typed = "", lastKey = 0;
document.addEventListener("keydown", (event) => {
  const now = performance.now(), quick = now - lastKey < 80;
  lastKey = now;
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const inField = event.target instanceof HTMLInputElement;
  if (event.key === "Enter") {
    if (typed.length >= 3 && quick && !inField) {
      event.preventDefault();
      event.stopPropagation();
      const text = typed;
      typed = "";
      chosen?.take(text.trim());
      return;
    }
    // A button is pressed by the space bar or a finger; Enter may be the end of a scan.
    if (event.target instanceof HTMLButtonElement) event.preventDefault();
    typed = "";
    return;
  }
  if (event.key.length !== 1) return;
  typed = quick ? typed + event.key : event.key;
  // A space within a scan presses no button either.
  if (event.key === " " && !inField && (quick || typed.length > 1)) event.preventDefault();
}, true);

function controls() {
  const root = document.documentElement;
  const look = (dark) => { root.dataset.look = dark ? "dark" : "light"; localStorage.setItem("look", root.dataset.look); };
  const speak = (language) => { words = LANGUAGES[language] ?? LANGUAGES.en; root.lang = language; localStorage.setItem("language", language); rigs.forEach((rig) => rig.show()); };
  look((localStorage.getItem("look") ?? (matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light")) === "dark");
  const tabs = element("div", { class: "tabs" },
    element("button", { class: "quiet", type: "button", lang: "de", onclick: () => speak("de") }, "DE"),
    element("button", { class: "quiet", type: "button", lang: "en", onclick: () => speak("en") }, "EN"),
    element("button", { class: "quiet", type: "button", "aria-label": `${words.light} / ${words.dark}`, onclick: () => look(root.dataset.look !== "dark") }, "☾"));
  return [tabs, speak];
}

const [tabs, speak] = controls();
const states = await (await fetch("/api/v1/rigs")).json();
bench.append(tabs);
bench.classList.toggle("two", states.length > 1);
for (const state of states) {
  const rig = new Rig(state);
  rigs.set(state.rig, rig);
  bench.append(rig.element);
}
choose(rigs.get(localStorage.getItem("rig")) ?? rigs.values().next().value);
speak(localStorage.getItem("language") ?? states[0]?.language ?? "en");
// One stream for all rigs: a browser holds six connections to a host, and a stop must never wait for one.
function listen() {
  const source = new EventSource("/api/v1/watch");
  const connected = (is) => rigs.forEach((rig) => { if (rig.connected !== is) { rig.connected = is; rig.show(); } });
  source.addEventListener("state", (event) => { const { rig, told } = JSON.parse(event.data); connected(true); rigs.get(rig)?.changed(told); });
  source.addEventListener("samples", (event) => { const { rig, told } = JSON.parse(event.data); rigs.get(rig)?.sampled(told); });
  source.onerror = () => {
    connected(false);
    // One that was refused does not come back by itself.
    if (source.readyState === EventSource.CLOSED) setTimeout(listen, 1_000);
  };
}
listen();
addEventListener("resize", () => rigs.forEach((rig) => rig.draw()));
