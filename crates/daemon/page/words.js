// What the page says, in the languages it has. Words of a verdict are told apart at three metres: not by a prefix.
const ENGLISH = {
  stop: "STOP TEST", start: "START", next: "NEXT ROUND", again: "SAME DEVICES AGAIN", report: "REPORT", ownNumbers: "NO SERIAL NUMBERS",
  clear: "CLEAR", yes: "YES", no: "NO", remove: "remove", scan: "Scan or type a serial number", scansHere: "Scans go to this rig",
  empty: "empty", ownNumber: "number by the bench", plugged: "plug seen", notPlugged: "no plug seen", position: "Position",
  noScript: "No script is set for this rig.", about: "about {0}", left: "{0} left", due: "reference due {0}",
  expired: "REFERENCE EXPIRED {0}", datedAhead: "REFERENCE DATED AHEAD {0}", simulated: "SIMULATED: no device is tested", attempt: "test {0} of this device", trial: "TRIAL: a sheet is a draft",
  vacuum: "Vacuum", safe: "outputs safe, read back", notSafe: "outputs NOT confirmed safe", lost: "No connection to the daemon. What is shown may be old.",
  starting: "The rig is being looked at.", notReady: "Not ready: {0}.", ending: "The daemon is ending.",
  mount: "Scan a device, then connect it to position {0}.", allMounted: "All positions are taken. Press START.",
  ready: "{0} of {1} positions taken. Scan more, or press START.", running: "{0}. Nothing to do.", ramp: "{0}, ramp {1} of {2}. Nothing to do.",
  waiting: "Waiting: {0}.", aborted: "ABORTED. No judgement. {0}.", safeNow: "Vented, power off, read back: safe to unplug.",
  notVented: "Outputs safe, read back, but vacuum is still there: do NOT unplug yet.",
  unsafe: "Outputs NOT confirmed safe. Shut off air and power by hand.", queued: "{0} more waiting", outside: "outside so far",
  recording: "The record is being made.", kept: "Everything up to here is kept.",
  allowed: "allowed", notChecked: "not checked: {0}", caution: "Keep clear of openings and exhaust. This screen has no emergency stop.",
  twice: "Serial {0} is already at position {1}. Scan another one, or scan it again to put it at position {2} too.",
  full: "No position is free for {0}. Take one out with ✕, or press CLEAR.", fullNext: "No position is free for {0}. Press START or NEXT ROUND first.", halting: "STOPPED: {0}. Keep clear: the outputs are not confirmed safe yet.", stopping: "STOPPING. Keep clear until the outputs are read back safe.", noEnds: "NO ends the run.", cancelled: "not taken: {0}", by: "the operator at the page",
  look: "light or dark", decide: "DECIDE {0} NOW{1}", nothingRuns: "Nothing runs here.", owed: "{0} without a record yet", badSheets: "The sheets have an error: no run can start until it is mended.", try: "TRY TO DECIDE {0}{1}", on: "on", off: "off", preparing: "The run is being prepared: outputs are made safe first.",
  failed: { withdrawn: "Not begun: {0}.", "no-run": "No run was made: {0}.", "no-record": "The record cannot be made yet: {0}. All is in the journal; it is tried again every 10 s." },
  stopLost: "STOP NOT SENT: use the hard-wired stop.", tooClose: "Too close to the limit. Yellow bin until decided.", apart: "Yellow bin until decided.",
  notRead: "Scan not read: {0}. Scan it again.", choose: "Show {0}", vacuumOver: "Vacuum over time",
  verdict: { pass: "PASS", fail: "FAIL", undecided: "UNDECIDED", aborted: "ABORTED", measured: "MEASURED", "set-aside": "SET ASIDE" },
  step: { zero: "Reading the reference at ambient", leak: "Watching the closed rig for leaks", "switch-points": "Ramps through the switch points", response: "Fast crossings", "air-saving": "The device drives the valve", "rig-check": "Checking the rig", ask: "A question" },
  quantity: { "switch-point": "switch point", "reset-point": "reset point", hysteresis: "hysteresis", repeatability: "repeatability", "cut-off": "cut-off", resume: "resume", chatter: "chatter", "on-delay": "delay on", "off-delay": "delay off", "response-on": "response on", "response-off": "response off", "lowest-level": "lowest level", "reset-spread": "repeatability of the reset point", "cut-off-spread": "valve repeatability", "resume-spread": "valve repeatability", "cut-off-delay": "valve delay", "resume-delay": "valve delay", "selected-delay": "selected delay", bounce: "bounce", "first-operation": "first operation after rest", "output-states": "states of the outputs", "own-edges": "edges of its own" },
  guide: { deeper: "PULL VACUUM", "less-deep": "LET AIR IN slowly", hold: "HOLD: close everything", "let-in": "OPEN to ambient", slower: "SLOWER", faster: "FASTER", steady: "just so" },
  direction: {}, reason: {},
  problem: { "to-confirm": "Is this right? Then press START once more: {0}.", busy: "A run goes on: this START came too late." },
  advice: { set: "{0} {1} → {2} ({3} {4})", ramps: "{0} ramps decide it{1}", mayRamps: "{0} ramps may decide it{1}" },
};

const GERMAN = {
  stop: "PRÜFUNG STOPP", start: "START", next: "NÄCHSTE RUNDE", again: "DIESELBEN NOCHMAL", report: "BERICHT", ownNumbers: "OHNE SERIENNUMMERN",
  clear: "LEEREN", yes: "JA", no: "NEIN", remove: "entfernen", scan: "Seriennummer scannen oder tippen", scansHere: "Scans gelten hier",
  empty: "leer", ownNumber: "Nummer von der Anlage", plugged: "Stecker erkannt", notPlugged: "kein Stecker", position: "Platz",
  noScript: "Für diese Anlage ist kein Ablauf gesetzt.", about: "etwa {0}", left: "noch {0}", due: "Referenz fällig {0}",
  expired: "REFERENZ ABGELAUFEN {0}", datedAhead: "KALIBRIERDATUM IN DER ZUKUNFT {0}", simulated: "SIMULIERT: kein Gerät wird geprüft", attempt: "{0}. Prüfung dieses Geräts", trial: "PROBE: ein Blatt ist ein Entwurf",
  vacuum: "Vakuum", safe: "Ausgänge sicher, zurückgelesen", notSafe: "Ausgänge NICHT sicher bestätigt", lost: "Keine Verbindung zum Dienst. Die Anzeige kann alt sein.",
  starting: "Die Anlage wird angesehen.", notReady: "Nicht bereit: {0}.", ending: "Der Dienst endet.",
  mount: "Gerät scannen, dann an Platz {0} anschließen.", allMounted: "Alle Plätze sind belegt. START drücken.",
  ready: "{0} von {1} Plätzen belegt. Weiter scannen oder START drücken.", running: "{0}. Nichts zu tun.", ramp: "{0}, Rampe {1} von {2}. Nichts zu tun.",
  waiting: "Wartet: {0}.", aborted: "ABBRUCH. Kein Urteil. {0}.", safeNow: "Belüftet, Ausgänge aus, zurückgelesen: abziehen erlaubt.",
  notVented: "Ausgänge sicher, zurückgelesen, aber noch Vakuum: noch NICHT abziehen.",
  unsafe: "Ausgänge NICHT sicher bestätigt. Luft und Strom von Hand abschalten.", queued: "{0} warten noch", outside: "bisher außerhalb",
  recording: "Das Protokoll entsteht.", kept: "Alles bis hierher ist aufbewahrt.",
  allowed: "erlaubt", notChecked: "nicht geprüft: {0}", caution: "Von Öffnungen und Abluft fernbleiben. Dieser Bildschirm hat keinen Not-Halt.",
  twice: "Nummer {0} steht schon an Platz {1}. Eine andere scannen, oder noch einmal für Platz {2}.",
  full: "Kein Platz frei für {0}. Einen mit ✕ herausnehmen, oder LEEREN.", fullNext: "Kein Platz frei für {0}. Zuerst START oder NÄCHSTE RUNDE.", halting: "GESTOPPT: {0}. Fernbleiben: die Ausgänge sind noch nicht sicher bestätigt.", stopping: "STOPPT. Fernbleiben, bis die Ausgänge sicher zurückgelesen sind.", noEnds: "NEIN beendet den Lauf.", cancelled: "nicht übernommen: {0}", by: "Bediener an der Seite",
  look: "hell oder dunkel", decide: "{0} JETZT ENTSCHEIDEN{1}", nothingRuns: "Hier läuft nichts.", owed: "{0} noch ohne Protokoll", badSheets: "Die Blätter haben einen Fehler: vorher beginnt kein Lauf.", try: "{0} ZU ENTSCHEIDEN VERSUCHEN{1}", on: "ein", off: "aus", preparing: "Der Lauf wird vorbereitet: zuerst werden die Ausgänge sicher gemacht.",
  failed: { withdrawn: "Nicht begonnen: {0}.", "no-run": "Kein Lauf kam zustande: {0}.", "no-record": "Das Protokoll kann noch nicht entstehen: {0}. Alles steht im Journal; alle 10 s ein neuer Versuch." },
  stopLost: "STOPP NICHT GESENDET: den verdrahteten Stopp benutzen.", tooClose: "Zu nah an der Grenze. Gelber Behälter, bis es entschieden ist.", apart: "Gelber Behälter, bis es entschieden ist.",
  notRead: "Scan nicht gelesen: {0}. Noch einmal scannen.", choose: "{0} zeigen", vacuumOver: "Vakuum über der Zeit",
  verdict: { pass: "GUT", fail: "SCHLECHT", undecided: "UNKLAR", aborted: "ABBRUCH", measured: "GEMESSEN", "set-aside": "AUSGELASSEN" },
  step: { zero: "Referenz bei Umgebung lesen", leak: "Geschlossene Anlage auf Leck beobachten", "switch-points": "Rampen durch die Schaltpunkte", response: "Schnelle Durchgänge", "air-saving": "Das Gerät steuert das Ventil", "rig-check": "Anlage prüfen", ask: "Eine Frage" },
  quantity: { "switch-point": "Schaltpunkt", "reset-point": "Rückschaltpunkt", hysteresis: "Hysterese", repeatability: "Wiederholbarkeit", "cut-off": "Abschaltpunkt", resume: "Wiedereinschaltpunkt", chatter: "Flattern", "on-delay": "Einschalt\u00adverzögerung", "off-delay": "Ausschalt\u00adverzögerung", "response-on": "Ansprechzeit ein", "response-off": "Ansprechzeit aus", "lowest-level": "tiefster Stand", "reset-spread": "Wiederholbarkeit Rückschaltpunkt", "cut-off-spread": "Wiederholbarkeit Ventil", "resume-spread": "Wiederholbarkeit Ventil", "cut-off-delay": "Ventil\u00adverzögerung", "resume-delay": "Ventil\u00adverzögerung", "selected-delay": "gewählte Verzögerung", bounce: "Prellen", "first-operation": "erste Betätigung nach Ruhe", "output-states": "Zustände der Ausgänge", "own-edges": "eigene Flanken" },
  guide: { deeper: "VAKUUM ZIEHEN", "less-deep": "langsam LUFT EINLASSEN", hold: "HALTEN: alles schließen", "let-in": "zur Umgebung ÖFFNEN", slower: "LANGSAMER", faster: "SCHNELLER", steady: "so weiter" },
  problem: {
    "round-changed": "Die Runde wurde inzwischen geändert: ansehen und noch einmal", "already-started": "Diese Runde läuft schon oder ist gelaufen", "to-confirm": "Stimmt das? Dann START noch einmal drücken: {0}",
    "not-mounted": "Diese Nummer geht nicht: höchstens 80 Zeichen, keine Steuerzeichen", busy: "Ein Lauf ist im Gang", stopped: "PRÜFUNG STOPP wurde inzwischen gedrückt: nichts wurde gestartet", "plug-was-out": "Ein Stecker war nach START nicht zu sehen. Das Gerät kann ein anderes sein: Nummer prüfen, dann noch einmal START", "not-ready": "Die Anlage ist nicht bereit",
    ending: "Der Dienst endet gerade", "sheets-changed": "Die Blätter wurden inzwischen geändert: ansehen, was jetzt da steht, dann noch einmal START", "nothing-to-decide": "Das wird von hier nicht noch einmal geprüft", "not-open": "Die Frage ist nicht mehr offen",
    "too-many": "Zu viele Änderungen auf einmal: kurz warten", "not-planned": "Aus diesen Blättern wird kein Lauf",
  },
  direction: { deeper: "tiefer", "less deep": "weniger tief", smaller: "kleiner", larger: "größer" },
  reason: {
    operator: "Von Hand gestoppt", signal: "Das Programm wurde beendet", doubt: "Der Verbindung zum Modul war nicht zu trauen ({1})", "too-deep": "Tiefer, als die Verriegelung erlaubt",
    "too-long-at-vacuum": "Länger unter Vakuum, als die Verriegelung erlaubt", "emergency-stop": "Der Not-Halt ist gedrückt", "guard-door": "TÜR OFFEN", reference: "Der Referenz ist nicht zu trauen: {0}",
    "air-pressure-input": "Dem Luftdruck-Eingang ist nicht zu trauen: {0}", "not-reached": "Das Vakuum wurde nicht rechtzeitig erreicht: Schläuche, Lecks, Ventile und Luft prüfen", "not-steady": "Von Hand nicht gleichmäßig genug",
    "air-pressure": "Der Luftdruck liegt außerhalb seines Fensters", "no-answer": "Niemand hat rechtzeitig geantwortet", refused: "Die Frage wurde mit Nein beantwortet", "record-lost": "Das Protokoll konnte nicht geschrieben werden",
    "step-fault": "Ein Schritt ist im Programm gescheitert: {0}", "no-position-left": "Jeder Platz wurde ausgelassen", killed: "Das Programm endete vor dem Lauf",
    unplugged: "Nicht mehr verbunden: Stecker prüfen", "stopped-answering": "Antwortet nicht mehr: Stecker prüfen",
  },
  advice: { set: "{0} {1} → {2} ({3} {4})", ramps: "{0} Rampen entscheiden es{1}", mayRamps: "{0} Rampen entscheiden es vielleicht{1}", "test-again": "nochmal prüfen", "keep-apart": "aussondern", "apart-and-again": "aussondern, nochmal prüfen", "at-limit": "aussondern: es liegt auf der Grenze", "not-here": "aussondern: diese Anlage entscheidet es nicht", "select-delay": "aussondern; die Verzögerung des Einstellblatts wählen", "look-at-delay": "aussondern; gewählte Verzögerung und Eingangsfilter des Moduls (Anlagenblatt) prüfen", "two-rates": "aussondern; Rampen mit zwei Geschwindigkeiten zeigen die Verzögerung", "closer-crossings": "aussondern; langsamere Rampen, schnelleres Lesen oder mehr Rampen zeigen die Streuung", "let-rest": "aussondern; ruhen lassen und nochmal prüfen: klebt Dichtung oder Sensor?", "look-at-output": "aussondern; Stecker und Kabel ansehen: ein Ausgang setzt aus", "look-at-bench": "Gerätespannung, Stecker und Modul der Anlage ansehen, dann nochmal prüfen", "look-at-inputs": "Verdrahtung der Eingänge dieses Platzes ansehen, dann nochmal prüfen" },
};

export const LANGUAGES = { en: ENGLISH, de: GERMAN };
let words = ENGLISH;

/** The language from now on. */
export function speak(language) { words = LANGUAGES[language] ?? ENGLISH; }

/** A word, or a group of them; {0}, {1} … are filled. */
export function say(key, ...values) {
  const word = words[key];
  return typeof word === "string" ? filled(word, ...values) : word;
}

/** Fills {0}, {1} … */
export function filled(text, ...values) {
  return text.replace(/\{(\d)\}/g, (_, index) => values[Number(index)] ?? "");
}
