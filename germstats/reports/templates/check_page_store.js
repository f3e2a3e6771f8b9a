// What is kept: one text per tray in the browser's storage, read anew before and written after every change, so that two
// tabs do not undo each other's taps. Where storage is refused or full, the text stays in memory and the page says so.

const DATA = JSON.parse(document.getElementById("data").textContent);
const PREFIX = "tray-checks|" + (DATA.book === null ? "" : "book " + DATA.book) + "|";
const TRAY = "tray|";

const memory = new Map(); // key -> [stamp, text or null] that could not be written
let refusal = "";
let whenRefused = () => {};
let lastStamp = 0;

function readStamped(key) {
  if (memory.has(key)) return memory.get(key);
  try {
    const kept = localStorage.getItem(PREFIX + key);
    if (kept === null) return [0, null];
    const cut = kept.indexOf(" ");
    return [Number(kept.slice(0, cut)) || 0, kept.slice(cut + 1)];
  } catch (error) {
    refused(error);
    return [0, null];
  }
}

function readText(key) {
  return readStamped(key)[1];
}

function writeText(key, text) {
  lastStamp = Math.max(Date.now(), lastStamp + 1, readStamped(key)[0] + 1);
  writeStamped(key, lastStamp, text);
  keepTwice(key, lastStamp, text);
}

function writeStamped(key, stamp, text) {
  memory.set(key, [stamp, text]);
  try {
    for (const [name, [when, waiting]] of [...memory]) {
      if (waiting === null) localStorage.removeItem(PREFIX + name);
      else localStorage.setItem(PREFIX + name, `${when} ${waiting}`);
      memory.delete(name);
    }
    refusal = "";
  } catch (error) {
    refused(error);
  }
  whenRefused();
}

function refused(error) {
  const full = error && (error.name === "QuotaExceededError" || error.name === "NS_ERROR_DOM_QUOTA_REACHED");
  refusal = full
    ? "This browser's storage is full, so new taps are not kept. Export now, then clear what has arrived."
    : "This browser refuses to keep anything (a private window, or a preview). Use a usual window if you can.";
  whenRefused();
}

/** Try the storage once at the start, so that the warning comes before the first tap. */
function tryStorage() {
  try {
    localStorage.setItem(PREFIX + "tried", "0 yes");
    localStorage.removeItem(PREFIX + "tried");
  } catch (error) {
    refused(error);
  }
}

function readJson(key, otherwise) {
  const text = readText(key);
  if (text === null) return otherwise;
  try {
    const value = JSON.parse(text);
    if (value !== null && typeof value === "object" && Array.isArray(value) === Array.isArray(otherwise)) return value;
  } catch {
    // falls through: what cannot be read is set aside, never thrown away
  }
  writeText("unreadable " + new Date().toISOString() + " " + key, text);
  writeText(key, null);
  return otherwise;
}

// --- records: {checks: {day: {cells, filled, seedlings, note, by, part, sent, changed}}, events: {id: {...}},
//               unsown: {cell: true|false}, draft: {cells}, base: {day, cells}}

const parsed = new Map();

/** The record of a tray, to look at only. */
function recordOf(id) {
  const text = readText(TRAY + id);
  const known = parsed.get(id);
  if (known && known.text === text) return known.record;
  const record = freshRecord(id);
  parsed.set(id, { text: readText(TRAY + id), record });
  return record;
}

function freshRecord(id) {
  const record = readJson(TRAY + id, {});
  for (const part of ["checks", "events", "unsown"]) {
    if (record[part] === null || typeof record[part] !== "object") record[part] = {};
  }
  return record;
}

const undos = [];

/**
 * Change a tray's record: `plan` gets the record as it is now and returns [[path, value], ...]; undefined deletes.
 * Every change can be undone unless `lasting`.
 */
function change(id, plan, words = "", lasting = false) {
  const record = freshRecord(id);
  const done = [];
  for (const [path, value] of plan(record)) {
    const before = dig(record, path);
    if (JSON.stringify(before) === JSON.stringify(value)) continue;
    put(record, path, value);
    done.push([path, before, value]);
  }
  if (!done.length) return false;
  touched(record, done);
  keep(id, record);
  if (!lasting) undos.push({ id, done, words });
  return true;
}

/** Take back the last change; what another tab changed since stays. */
function undoLast() {
  const last = undos.pop();
  if (!last) return null;
  const record = freshRecord(last.id);
  const back = last.done.filter(([path, , after]) => JSON.stringify(dig(record, path)) === JSON.stringify(after));
  for (const [path, before] of back.reverse()) put(record, path, before);
  touched(record, back);
  keep(last.id, record);
  return { id: last.id, words: last.words, all: back.length === last.done.length };
}

function dig(record, path) {
  return path.reduce((part, name) => (part === undefined || part === null ? undefined : part[name]), record);
}

function put(record, path, value) {
  let part = record;
  for (const name of path.slice(0, -1)) {
    if (part[name] === undefined || part[name] === null) part[name] = {};
    part = part[name];
  }
  if (value === undefined) delete part[path[path.length - 1]];
  else part[path[path.length - 1]] = value;
}

/** What was exported and is changed afterwards has to be exported again. */
function touched(record, done) {
  for (const [[part, name, field]] of done) {
    const one = (part === "checks" || part === "events") && record[part][name];
    if (!one || ["sent", "sentCells", "sentCount", "changed"].includes(field)) continue;
    delete one.sentCells;
    delete one.sentCount;
    if (one.sent) one.changed = true;
  }
}

function keep(id, record) {
  for (const [day, check] of Object.entries(record.checks)) {
    if (isBlank(check)) delete record.checks[day];
  }
  const used = Object.values(record).some((part) => part && Object.keys(part).length);
  writeText(TRAY + id, used ? JSON.stringify(record) : null);
}

function isBlank(check) {
  const counted = check.filled !== undefined || check.seedlings !== undefined;
  return !counted && !check.note && !Object.keys(check.cells || {}).length;
}

// --- trays: those of the book in bench order, then those typed here

function typedTrays() {
  return readJson("trays", []).map((one) => ({
    lot: "", species: "", name: "", place: "", block: "", seeds: "", most: null, treatment: "", seen: {}, own: {},
    filled: null, days: { cells: [], checks: [] }, typed: true, ...one,
  }));
}

function allTrays() {
  return [...DATA.trays, ...typedTrays()];
}

function keptTrays() {
  return allTrays().filter((tray) => readText(TRAY + tray.tray) !== null);
}

function setting(name, value) {
  const all = readJson("settings", {});
  if (value === undefined) return all[name];
  writeText("settings", JSON.stringify({ ...all, [name]: value }));
  return value;
}
