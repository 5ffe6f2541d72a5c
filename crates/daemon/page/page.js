// The page of a bench: its rigs, the scanner, the event stream, and the look. All data come over the API; nothing is judged here.
// Only the look, the language and the chosen rig are stored in the browser.
import { element } from "/parts.js";
import { LIMITS } from "/limits.js";
import { Rig } from "/rig.js";
import { LANGUAGES, say, speak } from "/words.js";

const page = document.getElementById("bench"), root = document.documentElement;
const rigs = new Map();
const bench = {
  chosen: null,
  many: false,
  /** Chooses a rig: scans go to it, and a small screen shows it in full. */
  choose(rig) {
    if (this.chosen === rig) return;
    this.chosen = rig;
    localStorage.setItem("rig", rig.state.rig);
    rigs.forEach((one) => one.show());
  },
};

// A scanner is a keyboard that types fast and ends with Enter. Its text goes to the chosen rig, whatever has the focus, and its
// Enter presses nothing. There are no single-letter shortcuts.
const QUICK_MS = 80, APART_MS = 500, FORGOTTEN_MS = 5_000, SHORTEST = 3, BURST = 4;
let typed = "", slow = false, lastKey = 0, quickKeys = 0, bursts = 0;
document.addEventListener("keydown", (event) => {
  // A key right after a space shows that the space was part of a scan.
  clearTimeout(pressing);
  // Shift and the like belong to the character that follows.
  if (event.key.length !== 1 && event.key !== "Enter") return;
  // The time of typing, not of handling: a busy page must not split a scan.
  const gap = event.timeStamp - lastKey, quick = gap < QUICK_MS;
  lastKey = event.timeStamp;
  // A key combination within a scan makes the scan invalid.
  if (event.ctrlKey || event.metaKey || event.altKey) { slow = slow || (quick && typed !== ""); return; }
  const field = event.target instanceof HTMLInputElement ? event.target : null;
  if (event.key === "Enter") {
    // Enter presses no button, as it may end a scan; the space bar or a finger does.
    if (event.target instanceof HTMLButtonElement || event.target instanceof HTMLAnchorElement) event.preventDefault();
    const text = typed.trim(), joined = field && bursts > 1, read = text.length >= SHORTEST && quick && !slow;
    [typed, slow, quickKeys, bursts] = ["", false, 0, 0];
    if (joined) {
      // The Enter of an earlier scan was lost: the field contains two numbers as one.
      event.preventDefault();
      event.stopPropagation();
      bench.chosen?.note(say("notRead", field.value));
      field.value = "";
      return;
    }
    if (field || !text) return;
    event.preventDefault();
    event.stopPropagation();
    if (read) bench.chosen?.take(text);
    else bench.chosen?.note(say("notRead", text));
    return;
  }
  if (gap > FORGOTTEN_MS && !field) [typed, slow] = ["", false];
  if (field && !field.value) bursts = 0;
  if (gap > APART_MS) quickKeys = 0;
  slow = typed ? slow || !quick : false;
  typed += event.key;
  quickKeys = quick ? quickKeys + 1 : 1;
  if (quickKeys === BURST) {
    bursts += 1;
    // The burst follows typed text and would form one number with it.
    if (field && field.value.length >= BURST) bursts += 1;
  }
  // A space within a scan or at its start must not press a button.
  if (event.key !== " " || !(event.target instanceof HTMLButtonElement)) return;
  spaced = typed.length === 1 || gap > APART_MS ? event.target : null;
  if (!spaced?.classList.contains("stop")) event.preventDefault();
}, true);
// The space bar presses a button if no key follows at once. It presses STOP TEST in any case.
let pressing = 0, spaced = null;
document.addEventListener("keyup", (event) => {
  if (event.key !== " " || !(event.target instanceof HTMLButtonElement) || event.target.classList.contains("stop")) return;
  event.preventDefault();
  if (spaced !== event.target) return;
  pressing = setTimeout(() => { [typed, slow] = ["", false]; if (document.activeElement === spaced) spaced.click(); }, QUICK_MS + 40);
}, true);

/** The buttons for look and language, and the function that sets the language. */
function controls() {
  const look = (dark) => { root.dataset.look = dark ? "dark" : "light"; localStorage.setItem("look", root.dataset.look); };
  const spoken = (language) => { speak(language); languages.forEach((button) => button.setAttribute("aria-pressed", button.lang === (language in LANGUAGES ? language : "en"))); root.lang = language in LANGUAGES ? language : "en"; localStorage.setItem("language", root.lang); looks.setAttribute("aria-label", say("look")); rigs.forEach((rig) => rig.show()); };
  const looks = element("button", { class: "quiet", type: "button", onclick: () => look(root.dataset.look !== "dark") }, "☾");
  look((localStorage.getItem("look") ?? (matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light")) === "dark");
  const language = (code, name) => element("button", { class: "quiet", type: "button", lang: code, "aria-label": name, onclick: () => spoken(code) }, code.toUpperCase());
  const languages = [language("de", "DE Deutsch"), language("en", "EN English")];
  return [element("div", { class: "tabs" }, ...languages, looks), spoken];
}

/** Sets the size of a millimetre from the screen width in the site sheet, if there is one. */
function measure(width_mm) {
  if (width_mm) root.style.setProperty("--mm", `${Math.max(screen.width, innerWidth) / width_mm}px`);
}

const states = await (await fetch("/api/v1/rigs")).json();
const [tabs, spoken] = controls();
measure(states[0]?.screen_width_mm);
bench.many = states.length > 1;
page.classList.toggle("many", bench.many);
page.classList.toggle("crowd", states.length > 2);
page.append(element("h1", { class: "hidden" }, "tripbench"));
for (const state of states) {
  const rig = new Rig(state, bench);
  rigs.set(state.rig, rig);
  page.append(rig.element);
}
page.append(tabs);
spoken(localStorage.getItem("language") ?? states[0]?.language ?? "en");
bench.choose(rigs.get(localStorage.getItem("rig")) ?? rigs.values().next().value);

// The daemon sends something at least once a second. After a longer silence the connection counts as lost.
let heard = performance.now();
setInterval(() => rigs.forEach((rig) => { rig.stopAgain(); rig.draw(); }), 1_000);
const connected = (is) => rigs.forEach((rig) => { if (rig.connected !== is) { rig.connected = is; rig.show(); } });
let startId = "";
/** Reloads the page if the daemon was restarted with other rigs. */
async function sameBench(id) {
  const now = id.split("-")[0];
  if (!now || now === startId) return;
  const known = startId;
  startId = now;
  if (!known) return;
  const names = (await (await fetch("/api/v1/rigs")).json()).map((state) => state.rig);
  if (names.join("\n") !== [...rigs.keys()].join("\n")) location.reload();
}
function hear(name, data, id) {
  heard = performance.now();
  connected(true);
  sameBench(id);
  if (name === "beat") return;
  const { rig, told } = JSON.parse(data);
  if (name === "state") rigs.get(rig)?.changed(told);
  else rigs.get(rig)?.sampled(told);
}

// One stream for all rigs and all windows: a browser opens at most six connections to a host, and a stop must never wait for one.
// The window with the lock has the stream and forwards it to the others; a hidden window gives up the lock.
const channel = new BroadcastChannel("tripbench");
let source = null, others = false, asking = null, leaving = null;
function listen() {
  source?.close();
  const mine = source = new EventSource("/api/v1/watch");
  for (const name of ["state", "samples", "beat"]) {
    mine.addEventListener(name, (event) => {
      hear(name, event.data, event.lastEventId);
      if (others) channel.postMessage([name, event.data, event.lastEventId]);
    });
  }
  mine.onerror = () => {
    connected(false);
    // The browser does not reconnect a refused stream.
    if (mine.readyState === EventSource.CLOSED) setTimeout(() => { if (mine === source) listen(); }, LIMITS.reconnect_ms);
  };
}
channel.onmessage = ({ data: [name, data, id] }) => {
  if (name !== "hello") {
    if (!source) hear(name, data, id);
    return;
  }
  // A new window needs the full state: reopening the stream delivers it.
  others = true;
  if (source) listen();
};
function join() {
  asking = new AbortController();
  const led = new Promise((leave) => { leaving = leave; });
  navigator.locks.request("tripbench-stream", { signal: asking.signal }, () => { listen(); return led; }).catch(() => {});
  channel.postMessage(["hello"]);
}
function leave() {
  asking?.abort();
  leaving?.();
  source?.close();
  source = null;
}
document.addEventListener("visibilitychange", () => (document.hidden ? leave() : join()));
if (!document.hidden) join();
setInterval(() => { if (performance.now() - heard > LIMITS.silence_ms) connected(false); }, 500);
addEventListener("resize", () => { measure(states[0]?.screen_width_mm); rigs.forEach((rig) => rig.draw()); });
