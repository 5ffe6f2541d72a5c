// The sentence at the head of a rig: what is happening or what to do next, and its kind.
import { reason, summary } from "/parts.js";
import { filled, say } from "/words.js";

/** Screens this narrow show one rig in full; the width must match page.css. */
export const FOLDED = matchMedia("(max-width: 1499px)");

/** Kind ("", "act", "waiting" or "hazard") and text of the sentence for a rig. */
export function tells(rig) {
  const { state } = rig, { run } = state;
  if (rig.stopLost) return ["hazard", say("stopLost")];
  if (state.outputs_safe === false || (run?.safe === false && state.doing !== "idle")) return ["hazard", say("unsafe")];
  if (!rig.connected) return ["hazard", say("lost")];
  if (state.doing === "starting") return ["waiting", say("starting")];
  if (state.doing === "ending") return ["waiting", say("ending")];
  if (state.doing === "not-ready") return ["hazard", say("notReady", (state.problem ?? "").replace(/[.?!]$/, ""))];
  // This comes first, whatever the verdicts are and whatever is to be done next.
  if (state.doing === "idle" && state.vented === false) return ["hazard", say("notVented")];
  if (state.findings.length && !rig.running() && !rig.verdictShown()) return ["hazard", say("badSheets")];
  if (state.failed) return ["hazard", filled(say("failed")[state.failed.kind] ?? "{0}.", state.failed.text)];
  if (rig.preparing()) return ["waiting", say("preparing")];
  if (rig.running()) return runTells(rig, run);
  if (rig.verdictShown()) {
    // On a small screen only the chosen rig says this: somebody at another rig must not take it for theirs.
    const safe = run.safe && state.vented && (rig.bench.chosen === rig || !FOLDED.matches) ? say("safeNow") : "";
    const earlier = run.tiles.filter((of) => of.of_run);
    if (run.halted) return ["", `${say("aborted", reason(run.halted))} ${safe} ${say("kept")} ${earlier.length ? `${summary(earlier)}.` : ""}`];
    return ["", `${summary(run.tiles)}. ${safe}`];
  }
  const { length } = rig.mounted();
  if (length && !rig.begun()) {
    const free = state.round.places.find((place) => !rig.mounted().some((other) => other.position === place.position));
    return ["act", free ? say("ready", length, state.round.places.length) : say("allMounted")];
  }
  return ["act", say("mount", state.round.places[0]?.position ?? 1)];
}

function runTells(rig, run) {
  if (run.over || run.safe !== null) return ["waiting", say("recording")];
  if (run.halted) return ["hazard", say("halting", reason(run.halted))];
  if (rig.stopping === run.run) return ["waiting", say("stopping")];
  if (run.question) return ["act", `${run.question.text} ${say("noEnds")}`];
  if (run.waiting) return ["waiting", say("waiting", reason(run.waiting))];
  if (run.guide) return ["act", `${say("guide")[run.guide.hint] ?? run.guide.hint} ${run.guide.toward ?? ""}`];
  const step = run.steps.find((one) => one.now === "running");
  const name = say("step")[step?.name] ?? step?.name ?? "";
  return ["", run.cycle ? say("ramp", name, ...run.cycle) : say("running", name)];
}
