// Parts of the page that do not depend on a rig: elements, requests, shapes of the verdicts, and texts that contain figures.
import { LIMITS } from "/limits.js";
import { filled, say } from "/words.js";

/** Makes an element from attributes, texts and children. Texts are never parsed as markup. */
export function element(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (value === true) made.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) made.setAttribute(key, value);
  }
  made.append(...children.filter((child) => child !== null && child !== undefined && child !== ""));
  return made;
}

/** Requests that wait for their answers, except stops. */
const waiting = new Set();

/** Aborts all waiting requests: a browser opens at most six connections to a host, and a stop needs one. */
export function hangUp() { waiting.forEach((request) => request.abort()); }

/** Sends a request to the daemon; returns its answer, or throws an error with the problem details. */
export async function call(method, path, body, within_ms = LIMITS.request_ms) {
  const given_up = new AbortController(), signal = AbortSignal.any([AbortSignal.timeout(within_ms), given_up.signal]);
  if (!path.endsWith("/stop")) waiting.add(given_up);
  const response = await fetch(path, { method, signal, headers: { "content-type": "application/json" }, body: JSON.stringify(body) }).finally(() => waiting.delete(given_up));
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
  act: "M2 9h11V3l9 9l-9 9v-6H2z",
  waiting: "M3 3h4v18H3zM10 3h4v18h-4zM17 3h4v18h-4z",
  hazard: "M12 1l11.5 21H.5zM11 8l.5 8h1l.5-8zM11 17.5v2.5h2v-2.5z",
};
SHAPES["set-aside"] = SHAPES.aborted;

/** The silhouette of a meaning, which shows it without colour. */
export function shape(meaning) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("viewBox", "0 0 24 24");
  svg.setAttribute("aria-hidden", "true");
  const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
  path.setAttribute("d", SHAPES[meaning]);
  path.setAttribute("fill", "currentColor");
  path.setAttribute("fill-rule", "evenodd");
  svg.append(path);
  return svg;
}

/** Where a figure lies between its limits. */
export function bar(place) {
  if (place === null || place === undefined) return "";
  if (place < 0) return "o[=======]";
  if (place > 1) return "[=======]o";
  const at = Math.min(6, Math.floor(place * 7));
  return `[${"=".repeat(at)}o${"=".repeat(6 - at)}]`;
}

export function clock(seconds) {
  const whole = Math.max(0, Math.round(seconds));
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")} min`;
}

/** Name of a quantity in the language of the page, or the key of the record where the page has no name for it. */
export const quantity = (name) => say("quantity")[name] ?? name;

/** A reason, in the language of the page where it has a text for this kind, else the text of the daemon. */
export function reason(why) {
  const own = say("reason")[why.kind];
  const text = own ? filled(own, why.text.split(": ").slice(1).join(": "), why.text) : why.text;
  return text.charAt(0).toUpperCase() + text.slice(1);
}

/** A problem with a request, in the language of the page where it has a text for this type, followed by the findings in the sheets. */
export function problem(error) {
  // Without an answer there is only an error text of the browser.
  if (!error.problem) return say("lost");
  const own = say("problem")[error.problem.type?.split("/").pop()];
  return [own ? filled(own, error.message) : error.message, ...(error.problem.findings ?? [])].join("\n");
}

/** What to do with a device next. */
export function advice(next) {
  if (next.kind === "set") return filled(say("advice").set, quantity(next.quantity), next.from, next.to, next.by, say("direction")[next.direction] ?? next.direction);
  if (next.kind === "ramps") return filled(say("advice")[next.all ? "ramps" : "mayRamps"], next.ramps, next.seconds ? `, ${clock(next.seconds)}` : "");
  return say("advice")[next.word] ?? next.text;
}

/** A level as shown; never "-0". */
export function level(value, decimals) {
  const text = value.toFixed(decimals);
  return Number(text) === 0 ? (0).toFixed(decimals) : text;
}

/** "Not checked" with the quantities that a verdict does not cover, each once. */
function notChecked(of) {
  const names = [...new Set((of.not_checked ?? []).map(quantity))];
  return names.length ? say("notChecked", names.join(", ")) : "";
}

/** A verdict in words; PASS and MEASURED are always shown with what was not checked. */
const worded = (of) => [say("verdict")[of.verdict], ["pass", "measured"].includes(of.verdict) ? notChecked(of) : ""];

/** Number of devices for each verdict, those that need action first. */
export function summary(tiles) {
  const order = ["fail", "aborted", "set-aside", "undecided", "measured", "pass"], counts = new Map();
  for (const of of [...tiles].sort((a, b) => order.indexOf(a.verdict) - order.indexOf(b.verdict))) {
    const [word, open] = worded(of), name = open ? `${word} (${open})` : word;
    counts.set(name, (counts.get(name) ?? 0) + 1);
  }
  return [...counts].map(([name, count]) => `${count} ${name}`).join(" · ");
}

/** Verdicts longer than LONG characters are written smaller, and so are those whose list of what was not checked exceeds LONG + LIST. */
const LONG = 8, LIST = 14;

/** The tile of a tested position: large with figures, or small with its mark only. */
export function tile(of, run, small) {
  const { figure } = of, halted = run.halted && !of.of_run, verdict = run.over || of.verdict === "set-aside" ? of.verdict : null;
  const value = figure && figure.value !== "–" ? `${quantity(figure.quantity)} ${figure.value}` : "";
  const serial = of.attempt ? `${of.serial} · ${say("attempt", of.attempt)}` : of.serial;
  const who = element("div", { class: "who" }, element("b", {}, `${of.position}`), element("span", {}, serial));
  const [name, open] = verdict ? worded({ ...of, verdict }) : ["", ""];
  if (small) return element("div", { class: `tile small ${open ? "noted" : ""} ${verdict ?? ""}` }, element("b", {}, `${of.position}`), verdict ? shape(verdict) : null, element("span", { class: "hidden" }, `${serial} ${name}`), open ? element("span", { class: "open" }, open) : null);
  const word = verdict ? element("div", { class: `word ${open ? "noted" : ""} ${Math.max(name.length, open.length - LIST) > LONG ? "long" : ""}` }, element("span", { class: "at" }, `${of.position}`), shape(verdict), open ? `${name}, ` : name, open ? element("span", { class: "open" }, open) : null) : null;
  const marks = value ? element("span", { class: "bar", "aria-hidden": "true" }, bar(figure.place)) : null;
  if (!verdict) return element("div", { class: "tile row", "data-position": of.position }, who, element("span", { class: "now", hidden: true }), element("span", { class: "figure" }, value), marks, figure?.outside ? element("b", {}, say("outside")) : null);
  const limited = value && figure.limits !== "–";
  const why = verdict === "undecided" ? say(limited ? "tooClose" : "apart") : "";
  const text = of.aside ? reason(of.aside) : !limited && of.sentence && !halted ? of.sentence : "";
  return element("div", { class: `tile ${verdict}` }, word, element("div", { class: "serial" }, serial),
    value ? element("div", { class: "figure" }, marks, ` ${figure.value} `, element("span", { class: "fine" }, quantity(figure.quantity))) : null,
    value && verdict !== "pass" ? element("div", { class: "fine limits" }, limited ? `± ${figure.uncertainty} · ${say("allowed")} ${figure.limits}` : `± ${figure.uncertainty}`) : null,
    why ? element("div", { class: "fine why" }, why) : null,
    text ? element("div", { class: "fine" }, text) : null,
    of.advice && !halted ? element("div", { class: "do" }, `➤ ${advice(of.advice)}`) : null);
}
