// One rig on the page: the mounted devices, the run in progress, the verdicts. All data come over the API; nothing is judged here.
import { Chart } from "/chart.js";
import { LIMITS } from "/limits.js";
import { call, clock, element, hangUp, level, problem, quantity, shape, tile } from "/parts.js";
import { FOLDED, tells } from "/sentence.js";
import { say } from "/words.js";

/** Up to this many tiles are all large; with more, only those that did not pass. */
const LARGE = 8;
/** Up to this many positions all have lanes; with more, only those outside their limits. */
const LANES = 4;
/** Undecided devices that have a button at the same time; the next button appears when one is decided. */
const DECIDED = 3;

export class Rig {
  /** `bench` knows which rig is chosen and whether there are several. */
  constructor(state, bench) {
    this.state = state;
    this.bench = bench;
    this.repeat = null;
    this.left = 0;
    this.level = null;
    this.connected = true;
    this.buttons = new Map();
    this.inSight = true;
    this.name = element("h2");
    this.names = element("div", { class: "names" });
    this.chooser = element("button", { class: "chooser", type: "button", onclick: () => this.bench.choose(this) });
    // STOP TEST acts on touch, not on release: stopping early harms nothing, late may (WCAG 2.5.2, exception "essential").
    this.stopButton = element("button", { class: "stop", type: "button", onpointerdown: (event) => { event.stopPropagation(); this.stop(); }, onclick: () => this.stop() });
    this.told = element("div", { class: "told", role: "status", "aria-live": "polite" });
    this.sign = element("span", { class: "sign" });
    this.message = element("p", { class: "message", role: "alert" });
    this.scan = element("input", { class: "scan", type: "text", autocomplete: "off", spellcheck: "false", inputmode: "text" });
    this.scan.addEventListener("keydown", (event) => {
      if (event.key !== "Enter") return;
      event.preventDefault();
      const text = this.scan.value.trim();
      this.scan.value = "";
      if (text) this.take(text);
    });
    this.scan.addEventListener("focus", () => bench.choose(this));
    this.here = element("span", { class: "here" });
    this.sentence = element("div", { class: "sentence" }, this.sign, this.told, element("div", { class: "scanning" }, this.scan, this.here));
    this.work = element("div", { class: "work", tabindex: "0" });
    this.canvas = element("canvas", { role: "img" });
    this.chart = new Chart(this.canvas, () => this.draw());
    this.figures = element("p", { class: "figures" });
    this.curve = element("div", { class: "curve" }, this.figures, this.canvas);
    this.actions = element("div", { class: "actions" });
    this.element = element("section", { class: "rig", "aria-label": state.rig, onpointerdown: () => bench.choose(this) },
      element("div", { class: "strip" }, this.names, this.stopButton), this.sentence, this.message, this.work, this.actions);
    // With many rigs, only those on the screen are drawn.
    new IntersectionObserver(([entry]) => { this.inSight = entry.isIntersecting; this.draw(); }).observe(this.element);
  }

  path(rest) { return `/api/v1/rigs/${encodeURIComponent(this.state.rig)}${rest}`; }

  changed(state) {
    // A stop that did not get through is sent again by `stopAgain`, unless it is no longer needed.
    if (this.stopLost && !this.stopSending && !this.stopWanted(state)) [this.stopLost, this.stopping] = [false, ""];
    // The reason for a refused START is cleared when the state of the rig changes.
    if (this.refused && state.doing !== this.state.doing) this.note("");
    if (state.run?.run !== this.state.run?.run) this.chart.clear();
    this.state = state;
    this.left = state.run?.left_s ?? 0;
    this.showSoon();
  }

  /** States may arrive faster than the screen refreshes; the latest is shown. */
  showSoon() {
    if (this.toShow) return;
    this.toShow = true;
    requestAnimationFrame(() => { this.toShow = false; this.show(); });
  }

  sampled(samples) {
    this.chart.add(samples);
    this.left = samples.left_s;
    this.sampledAt = performance.now();
    if (samples.level.length) this.level = samples.level[samples.level.length - 1];
    // The oldest reading that is not on the screen yet.
    if (samples.t.length) this.oldest_ms ??= samples.zero_ms + samples.t[0] * 1e3;
    if (this.drawing) return;
    this.drawing = true;
    requestAnimationFrame(() => {
      this.drawing = false;
      // A performance mark that tells how late the readings were on the screen.
      if (this.draw() && this.oldest_ms !== undefined) {
        performance.clearMarks("tripbench-shown");
        performance.mark("tripbench-shown", { detail: { rig: this.state.rig, late_ms: Date.now() - this.oldest_ms } });
      }
      this.oldest_ms = undefined;
    });
  }

  running() { return this.state.doing === "running"; }
  /** Whether a run was requested and no state of it has arrived yet. */
  preparing() { return this.state.queue.length > 0 || (this.running() && !this.state.run); }
  mounted() { return this.state.round.places.filter((place) => place.serial !== null || place.own_number); }
  /** Whether the round was started; the next scan then begins a new round. */
  begun() { return this.state.round.started; }
  /** Number of devices mounted for the next round. */
  waiting() { return this.begun() ? 0 : this.mounted().length; }
  /** Verdicts stay until NEXT ROUND, even when the next devices have been scanned. */
  verdictShown() { return Boolean(this.state.run?.over) && !this.running() && !this.preparing() && this.state.seen !== this.state.run.run; }

  /** Handles scans one after the other, so that none of a quick scanner is lost. */
  take(serial) {
    this.line = (this.line ?? Promise.resolve()).then(() => this.takeOne(serial), () => this.takeOne(serial));
    return this.line;
  }

  async takeOne(serial, tries = 0) {
    const places = this.begun() ? [] : this.mounted();
    const free = this.state.round.places.find((place) => !places.some((other) => other.position === place.position));
    if (!free) return this.note(say(this.verdictShown() ? "fullNext" : "full", serial));
    const twin = places.find((place) => place.serial === serial);
    if (twin && this.repeat !== serial) {
      this.repeat = serial;
      return this.note(say("twice", serial, twin.position, free.position));
    }
    this.repeat = null;
    return this.mount([...places, { position: free.position, serial }], { serial, tries });
  }

  /** Sends the mounted devices; `seen` is a run whose verdicts the operator has acknowledged. */
  async mount(places, { serial, tries = 0, seen } = {}) {
    const sent = places.map(({ position, serial: text, own_number }) => (text ? { position, serial: text } : { position, own_number: Boolean(own_number) }));
    try {
      const round = await call("PUT", this.path("/round"), { revision: this.state.round.revision, places: sent, seen });
      if (round.revision > this.state.round.revision) this.state = { ...this.state, round, failed: null, seen: seen ?? this.state.seen };
      this.note("");
      this.show();
    } catch (error) {
      if (error.problem?.type === "/problems/round-changed" && serial && tries < 5) {
        // Another window changed the round first: try again with the current round.
        this.changed(await (await fetch(this.path(""))).json());
        await this.takeOne(serial, tries + 1);
        return;
      }
      this.note(say("cancelled", problem(error)));
    }
  }

  start() {
    const { revision } = this.state.round;
    return this.begin({ revision, sheets_seen: this.state.sheets.digest, confirmed: this.confirmed === revision }, revision);
  }

  /** Tests an undecided device again with the number of ramps that would decide it; the daemon links and counts the repeat. */
  decide(run, position) {
    const of = `${run} ${position}`;
    return this.begin({ again: { run, position, revision: this.state.round.revision }, confirmed: this.confirmed === of }, of);
  }

  /** Starts a run; `of` says what a second press confirms. */
  async begin(what, of) {
    if (this.asked) return;
    this.asked = true;
    try {
      // The start is refused if STOP TEST was pressed since, in any window.
      await call("POST", this.path("/runs"), { ...what, stops: this.state.stops });
      this.confirmed = null;
      this.note("");
    } catch (error) {
      this.note(problem(error));
      this.refused = true;
      // Pressing the same button once more confirms what the daemon asked about.
      this.confirmed = error.problem?.type === "/problems/to-confirm" ? of : null;
    } finally {
      this.asked = false;
    }
  }

  /** Whether the run or queued start that the stop was meant for still exists. */
  stopWanted(state) { return (state.doing === "running" && (this.stopAhead || state.run?.run === this.stopping)) || (this.stopAhead && state.queue.length > 0); }

  /** Sends a stop again if it did not get through. */
  stopAgain() {
    if (!this.stopLost || this.stopSending || !this.stopWanted(this.state)) return;
    this.stopTries = 1;
    this.sendStop();
  }

  /** Sends a stop. Sending it twice does no harm; a failure is shown at once. */
  stop() {
    this.stopping = this.state.run?.run ?? "";
    // A run in preparation has no identifier yet.
    this.stopAhead = this.preparing();
    this.atRest = this.state.doing === "idle" && !this.preparing();
    this.show();
    this.stopTries = 5;
    if (!this.stopSending) this.sendStop();
  }

  async sendStop() {
    this.stopSending = true;
    while (this.stopTries > 0) {
      this.stopTries -= 1;
      try {
        await call("POST", this.path("/stop"), {}, LIMITS.stop_ms);
        this.stopLost = false;
        if (this.atRest) this.note(say("nothingRuns"));
        break;
      } catch {
        this.stopLost = true;
        this.show();
        // Waiting requests occupy connections that the stop needs.
        hangUp();
        await new Promise((go) => setTimeout(go, LIMITS.stop_again_ms));
      }
    }
    this.stopSending = false;
    this.show();
  }

  answer(question, answer) {
    call("POST", this.path("/answer"), { run: this.state.run?.run, question, answer, by: say("by") }).catch((error) => this.note(problem(error)));
  }

  note(text) {
    this.message.textContent = text;
    // A confirmation counts only while its question is in sight.
    [this.refused, this.confirmed] = [false, null];
  }

  show() {
    const { state } = this, { run } = state, running = this.running() && run && !run.over, ready = this.verdictShown();
    const chosen = this.bench.chosen === this;
    this.element.classList.toggle("chosen", chosen);
    this.element.classList.toggle("runs", Boolean(running));
    this.here.textContent = this.bench.many && chosen ? `◀ ${say("scansHere")}` : "";
    this.name.textContent = state.rig;
    this.chooser.textContent = say("choose", state.rig);
    const reference = state.reference.expired ? say("expired", state.reference.due) : state.reference.dated_ahead ? say("datedAhead", state.reference.dated_ahead) : say("due", state.reference.due);
    const facts = [(running || ready ? run.settings : state.sheets.settings) ?? "", reference, state.owed.length ? say("owed", state.owed.length) : "", state.simulated || run?.simulated ? say("simulated") : "", run?.trial ? say("trial") : ""];
    this.names.replaceChildren(this.name, this.chooser, ...facts.filter(Boolean).map((text) => element("span", { class: "fact" }, text)));
    this.stopButton.replaceChildren(element("span", {}, say("stop"), this.bench.many ? element("small", {}, state.rig) : ""));
    const [kind, text] = tells(this);
    this.sentence.className = `sentence ${kind}`;
    this.sign.replaceChildren(...(kind ? [shape(kind)] : []));
    // The sentence of a folded rig begins with its name.
    const whole = !chosen && FOLDED.matches ? `${state.rig}: ${text}` : text;
    if (this.told.textContent !== whole) this.told.textContent = whole;
    this.scan.setAttribute("aria-label", `${say("scan")}, ${state.rig}`);
    this.scan.placeholder = say("scan");
    this.work.setAttribute("aria-label", state.rig);
    this.showWork(running, ready);
    this.showActions(running, ready);
    if (running) this.draw();
  }

  showWork(running, ready) {
    const { state } = this, { run } = state;
    const known = this.connected && !running, at = known && state.level !== null ? level(state.level, state.decimals) : "?";
    const facts = [running ? "" : `${say("vacuum")} ${at} ${state.unit}`, state.outputs_safe === false ? say("notSafe") : known && state.outputs_safe ? say("safe") : "", running && this.waiting() ? this.nextRound() : ""];
    const note = element("p", { class: "note" }, facts.filter(Boolean).join(" · "));
    this.work.className = `work ${running ? "" : "wide"}`;
    if (running) {
      // The curve stays in the document: taking it out and putting it back would cost a layout for each state.
      if (this.work.firstChild !== this.curve) this.work.replaceChildren(this.curve);
      while (this.curve.nextSibling) this.curve.nextSibling.remove();
      this.work.append(this.tiles(run), note);
    } else if (ready) {
      this.work.replaceChildren(this.tiles(run), ...(this.waiting() ? [this.upNext()] : []), note);
    } else {
      const lacks = [...state.findings, ...(state.sheets.script || state.findings.length ? [] : [say("noScript")])].map((text) => element("p", { class: "message finding", lang: "en", tabindex: "0" }, text));
      this.work.replaceChildren(this.mounts(), ...lacks, note, element("p", { class: "note caution" }, shape("hazard"), `${say("caution")} ${state.cautions ?? ""}`));
    }
  }

  tiles(run) {
    // While one device is tested again, the others of its round are not shown.
    const shown = run.tiles.filter((of) => run.over || !of.of_run);
    const many = shown.length > LARGE;
    const small = (of) => many && (run.over ? of.verdict === "pass" : !of.figure?.outside && of.verdict !== "set-aside");
    return element("div", { class: `tiles ${many ? "many" : shown.length > 4 ? "dense" : ""}` }, ...shown.map((of) => tile(of, run, small(of))));
  }

  showActions(running, ready) {
    const { state } = this, { run } = state, fresh = new Map();
    // A press may be meant for a button that was here before: a button accepts presses only once it has been shown for a while.
    const button = (label, act, attributes = {}) => {
      const key = `${label.split(" · ")[0]} ${attributes.class} ${attributes["data-question"] ?? attributes["data-run"] ?? ""}`, since = this.buttons.get(key) ?? performance.now();
      fresh.set(key, since);
      return element("button", { type: "button", onclick: (event) => { if (event.detail < 2 && performance.now() - since > LIMITS.fresh_ms && this.connected) act(); }, ...attributes }, label);
    };
    const actions = [];
    if (running && run.question) actions.push(button(say("yes"), () => this.answer(run.question.number, "yes"), { class: "answer", "data-question": `${run.run} ${run.question.number}` }), button(say("no"), () => this.answer(run.question.number, "no"), { class: "answer", "data-question": `${run.run} ${run.question.number}` }));
    if (running) actions.push(element("ol", { class: "steps" }, ...run.steps.map((step) => element("li", { class: step.now, "aria-current": step.now === "running" ? "step" : null }, say("step")[step.name] ?? step.name))));
    if (ready) {
      actions.push(button(say("next"), () => this.mount(this.begun() ? [] : this.mounted(), { seen: run.run }), { class: "start", "data-run": run.run }));
      // A decided device cannot be tested again from here until it passes; an undecided one can, and its tests are counted.
      // An aborted repeat is repeated from the same first run.
      const repeats = (of) => Boolean(of.again_of) && (of.verdict === "aborted" || of.verdict === "set-aside");
      const open = run.tiles.filter((of) => (of.verdict === "aborted" || of.verdict === "set-aside") && !repeats(of));
      const undecided = run.tiles.filter((of) => repeats(of) || (of.can_be_decided && of.advice?.kind === "ramps"));
      // The next devices may already be mounted. Only inputs for the plugs show that the undecided device is still there.
      const there = !this.waiting() || state.round.places.every((place) => place.present !== null);
      if (there) for (const of of undecided.slice(0, DECIDED)) actions.push(button(say(of.advice?.all === false ? "try" : "decide", of.position, of.advice?.seconds ? ` · ${clock(of.advice.seconds)}` : ""), () => this.decide(repeats(of) ? of.again_of : of.of_run ?? run.run, of.position), { "data-run": run.run }));
      if (open.length && !this.waiting()) actions.push(button(say("again"), () => this.mount(open.map(({ position, serial }) => ({ position, serial })), { seen: run.run }), { "data-run": run.run }));
      actions.push(...this.reports(run));
    }
    // START comes last: a finger on its way to NEXT ROUND must not find START in its place.
    if (!running && !this.preparing() && (!ready || this.waiting())) {
      const may = this.waiting() > 0 && state.doing === "idle" && this.connected && state.findings.length === 0 && Boolean(state.sheets.script);
      // START acts on release, as a click does.
      actions.push(button(`${say("start")}${state.predicted_s ? ` · ${say("about", clock(state.predicted_s))}` : ""}`, () => this.start(), { class: ready ? "start last" : "start", disabled: !may }));
      if (!ready) actions.push(button(say("ownNumbers"), () => this.mount(this.state.round.places.map(({ position, serial, present }) => (serial && !this.begun() ? { position, serial } : present === false ? null : { position, own_number: true })).filter(Boolean))));
      if (!ready && this.mounted().length) actions.push(button(say("clear"), () => this.mount([])));
    }
    if (state.queue.length) actions.push(element("span", {}, say("queued", state.queue.length)));
    this.buttons = fresh;
    const focused = this.actions.contains(document.activeElement) ? document.activeElement.textContent : null;
    const before = [...this.actions.children].map((child) => child.outerHTML).join(), after = actions.map((child) => child.outerHTML).join();
    // Unchanged buttons keep their elements, so that a press in progress is not lost.
    if (before === after) return;
    this.actions.replaceChildren(...actions);
    // The focus stays on the button with the same text, else it goes to the scan field, where it does no harm.
    if (focused !== null) ([...this.actions.children].find((child) => child.textContent === focused) ?? this.scan).focus();
  }

  /** Links to the reports of all runs whose tiles are shown. */
  reports(run) {
    const runs = [...new Set([run.run, ...run.tiles.map((of) => of.of_run ?? run.run)])];
    const positions = (one) => run.tiles.filter((of) => (of.of_run ?? run.run) === one).map((of) => of.position).join(", ");
    return runs.map((one) => element("a", { class: "link", href: `/api/v1/runs/${one}/report`, target: "_blank", rel: "noopener" }, runs.length > 1 ? `${say("report")} ${positions(one)}` : say("report")));
  }

  /** The devices scanned for the next round, in one line; NEXT ROUND shows them in full. */
  upNext() {
    return element("p", { class: "message" }, this.nextRound());
  }

  nextRound() {
    const list = this.mounted().map((place) => `${place.position} ${place.serial ?? say("ownNumber")}`);
    return `${say("next")}: ${list.join(" · ")}`;
  }

  mounts() {
    const next = this.state.round.places.find((place) => !this.mounted().some((other) => other.position === place.position));
    return element("ul", { class: "mounts" }, ...this.state.round.places.map((place) => {
      const who = place.serial ?? (place.own_number ? say("ownNumber") : say("empty"));
      const seen = place.present === null ? "" : place.present ? say("plugged") : say("notPlugged");
      const taken = this.mounted().some((other) => other.position === place.position);
      const drop = () => this.mount(this.mounted().filter((other) => other.position !== place.position));
      return element("li", { class: `${place === next && !this.begun() ? "next" : ""} ${taken ? "taken" : ""}` },
        element("b", {}, `${place.position}`), element("span", { class: "whom" }, who, seen ? element("span", { class: "fine" }, seen) : null),
        taken ? element("button", { class: "quiet", type: "button", "aria-label": `${say("remove")} ${say("position")} ${place.position}`, onclick: drop }, "✕") : null);
    }));
  }

  /** Shows for each device whether its switch output is on. */
  showSignals() {
    for (const now of this.work.querySelectorAll(".tile.row > .now")) {
      const changes = this.chart.changes.get(`${now.parentElement.dataset.position} switch`), on = changes?.[changes.length - 1][1];
      const text = on === undefined ? "" : say(on ? "on" : "off");
      if (now.textContent === text) continue;
      now.textContent = text;
      now.classList.toggle("on", Boolean(on));
      now.hidden = !text;
    }
  }

  /** Draws the chart if it is in sight; returns whether it was drawn. */
  draw() {
    const { run } = this.state;
    if (!run || !this.running() || !this.inSight) return false;
    this.chart.bands = run.bands.map((band) => ({ ...band, name: quantity(band.quantity) }));
    const own = run.tiles.filter((of) => !of.of_run), taking = own.map((of) => of.position);
    const failing = own.filter((of) => of.figure?.outside).map((of) => of.position);
    const shown = taking.length <= LANES ? taking : failing.slice(0, LANES);
    const lanes = shown.flatMap((position) => [`${position} switch`, `${position} valve`]).filter((key) => this.chart.changes.has(key));
    // An old reading says nothing about the present level.
    const old = this.level === null || performance.now() - this.sampledAt > LIMITS.old_ms;
    this.figures.textContent = `${old ? "?" : level(this.level, run.decimals)} ${run.unit}${run.halted ? "" : ` · ${say("left", clock(this.left))}`}`;
    this.canvas.setAttribute("aria-label", `${say("vacuumOver")}: ${this.figures.textContent}`);
    this.showSignals();
    return this.chart.draw(lanes);
  }
}

