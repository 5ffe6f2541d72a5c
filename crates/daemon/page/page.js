// The page of a bench: its rigs, the scanner, the stream, and how it looks. All of it comes over the API; nothing is decided here,
// and nothing here is kept but how it looks.
import { element } from "/parts.js";
import { Rig } from "/rig.js";
import { LANGUAGES, say, speak } from "/words.js";

const page = document.getElementById("bench"), root = document.documentElement;
const rigs = new Map();
const bench = {
  chosen: null,
  many: false,
  /** From now on scans go to this rig, and a small screen shows it whole. */
  choose(rig) {
    if (this.chosen === rig) return;
    this.chosen = rig;
    localStorage.setItem("rig", rig.state.rig);
    rigs.forEach((one) => one.show());
  },
};

// A scanner is a keyboard that types fast and ends with Enter. What it types goes to the rig that is chosen, whatever has the
// focus, and the Enter at its end presses nothing. There are no shortcuts of single letters.
const QUICK_MS = 80, APART_MS = 500, FORGOTTEN_MS = 5_000, SHORTEST = 3, BURST = 4;
let typed = "", slow = false, lastKey = 0, quickKeys = 0, bursts = 0;
document.addEventListener("keydown", (event) => {
  // Whatever follows a space bar at once, it was part of a scan.
  clearTimeout(pressing);
  // A Shift is a part of the character behind it.
  if (event.key.length !== 1 && event.key !== "Enter") return;
  // When it was typed, not when the page came to it: a page that was busy must not tear a scan apart.
  const gap = event.timeStamp - lastKey, quick = gap < QUICK_MS;
  lastKey = event.timeStamp;
  // A character that did not arrive as itself spoils the scan that it stands in.
  if (event.ctrlKey || event.metaKey || event.altKey) { slow = slow || (quick && typed !== ""); return; }
  const field = event.target instanceof HTMLInputElement ? event.target : null;
  if (event.key === "Enter") {
    // A button is pressed by the space bar or a finger; Enter may be the end of a scan.
    if (event.target instanceof HTMLButtonElement || event.target instanceof HTMLAnchorElement) event.preventDefault();
    const text = typed.trim(), joined = field && bursts > 1, read = text.length >= SHORTEST && quick && !slow;
    [typed, slow, quickKeys, bursts] = ["", false, 0, 0];
    if (joined) {
      // The Enter of a scan before was lost: two numbers stand there as one.
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
    // It came behind something that was typed, and would stand there as one number with it.
    if (field && field.value.length >= BURST) bursts += 1;
  }
  // A space within a scan presses no button either, and one that begins it must not.
  if (event.key !== " " || !(event.target instanceof HTMLButtonElement)) return;
  spaced = typed.length === 1 || gap > APART_MS ? event.target : null;
  if (!spaced?.classList.contains("stop")) event.preventDefault();
}, true);
// The space bar presses a button where nothing follows it at once. STOP TEST it presses in any case.
let pressing = 0, spaced = null;
document.addEventListener("keyup", (event) => {
  if (event.key !== " " || !(event.target instanceof HTMLButtonElement) || event.target.classList.contains("stop")) return;
  event.preventDefault();
  if (spaced !== event.target) return;
  pressing = setTimeout(() => { [typed, slow] = ["", false]; if (document.activeElement === spaced) spaced.click(); }, QUICK_MS + 40);
}, true);

/** How it looks and speaks, with the buttons for it. */
function controls() {
  const look = (dark) => { root.dataset.look = dark ? "dark" : "light"; localStorage.setItem("look", root.dataset.look); };
  const spoken = (language) => { speak(language); languages.forEach((button) => button.setAttribute("aria-pressed", button.lang === (language in LANGUAGES ? language : "en"))); root.lang = language in LANGUAGES ? language : "en"; localStorage.setItem("language", root.lang); looks.setAttribute("aria-label", say("look")); rigs.forEach((rig) => rig.show()); };
  const looks = element("button", { class: "quiet", type: "button", onclick: () => look(root.dataset.look !== "dark") }, "☾");
  look((localStorage.getItem("look") ?? (matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light")) === "dark");
  const language = (code, name) => element("button", { class: "quiet", type: "button", lang: code, "aria-label": name, onclick: () => spoken(code) }, code.toUpperCase());
  const languages = [language("de", "DE Deutsch"), language("en", "EN English")];
  return [element("div", { class: "tabs" }, ...languages, looks), spoken];
}

/** Millimetres as they are on the screen at the bench, where the site sheet tells its width. */
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

// It is never silent for longer than a second: after three the connection is lost, whatever the browser says.
const SILENCE_MS = 3_500;
let heard = performance.now();
setInterval(() => rigs.forEach((rig) => { rig.stopAgain(); rig.draw(); }), 1_000);
const connected = (is) => rigs.forEach((rig) => { if (rig.connected !== is) { rig.connected = is; rig.show(); } });
let life = "";
/** Another life of the daemon may have other rigs: then the page begins anew. */
async function sameBench(id) {
  const now = id.split("-")[0];
  if (!now || now === life) return;
  const known = life;
  life = now;
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

// One stream for all rigs and all windows: a browser holds six connections to a host, and a stop must never wait for one. The
// window that has the lock has the stream, and tells the others; one that nobody sees gives it up.
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
    // One that was refused does not come back by itself.
    if (mine.readyState === EventSource.CLOSED) setTimeout(() => { if (mine === source) listen(); }, 1_000);
  };
}
channel.onmessage = ({ data: [name, data, id] }) => {
  if (name !== "hello") {
    if (!source) hear(name, data, id);
    return;
  }
  // A window that comes wants all that there is.
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
setInterval(() => { if (performance.now() - heard > SILENCE_MS) connected(false); }, 500);
addEventListener("resize", () => { measure(states[0]?.screen_width_mm); rigs.forEach((rig) => rig.draw()); });
