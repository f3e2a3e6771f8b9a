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
    return [Number(kept.slice(0, cut)) || 0, kept.slice(cut + 1) || null];
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

/** What is thrown away leaves its stamp, lest an older text comes back from the second keeping, which may be behind. */
function writeStamped(key, stamp, text) {
  memory.set(key, [stamp, text]);
  try {
    for (const [name, [when, waiting]] of [...memory]) {
      localStorage.setItem(PREFIX + name, `${when} ${waiting ?? ""}`);
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

const ASIDE = "unreadable ";

/**
 * What is kept under a key, `otherwise` where nothing is. `sound` returns a value with only those parts that are as this
 * page writes them. Where that is not all, the text is set aside, never thrown away, and what is sound goes on.
 */
function readJson(key, otherwise, sound) {
  const text = readText(key);
  if (text === null) return otherwise;
  let value;
  try {
    value = JSON.parse(text);
  } catch {
    value = undefined;
  }
  const kept = value !== undefined && isPart(value) && Array.isArray(value) === Array.isArray(otherwise) ? sound(value) : otherwise;
  if (JSON.stringify(kept) === JSON.stringify(value)) return value;
  writeText(ASIDE + new Date().toISOString() + " " + key, text);
  writeText(key, Object.keys(kept).length ? JSON.stringify(kept) : null);
  return kept;
}

/** Texts set aside, as [key, what it was], the oldest first. */
function setAside() {
  const keys = new Set([...memory].filter(([, [, text]]) => text !== null).map(([key]) => key));
  try {
    for (let k = 0; k < localStorage.length; k += 1) {
      const key = localStorage.key(k);
      if (key.startsWith(PREFIX)) keys.add(key.slice(PREFIX.length));
    }
  } catch {
    // the storage is refused, which the page says elsewhere
  }
  const aside = [...keys].filter((key) => key.startsWith(ASIDE) && readText(key) !== null).sort();
  return aside.map((key) => [key, asideWords(key.split(" ").slice(2).join(" "))]);
}

function asideWords(key) {
  return key.startsWith(TRAY) ? `tray ${key.slice(TRAY.length)}` : { trays: "the trays typed here", settings: "the settings" }[key] || key;
}

// --- what is sound: as this page writes it

function isPart(value) {
  return value !== null && typeof value === "object";
}

function isTable(value) {
  return isPart(value) && !Array.isArray(value);
}

function isText(value) {
  return typeof value === "string";
}

function isCount(value) {
  return Number.isInteger(value) && value >= 0;
}

function fits(value, shape) {
  return isTable(value) && Object.entries(shape).every(([name, good]) => value[name] === undefined || good(value[name]));
}

function are(good) {
  return (value) => isTable(value) && Object.values(value).every(good);
}

const isFlag = (value) => typeof value === "boolean";
const SENT = { sent: isText, sentCells: isText, sentCount: isText, changed: isFlag };
const CHECK = { ...SENT, cells: are(isCount), filled: isCount, seedlings: isCount, note: isText, by: isText, part: isFlag };
const EVENT = { ...SENT, cells: isText, note: isText };
const BASE = { filled: isCount };
const SETTINGS = {
  mode: (value) => ["cells", "count", "event"].includes(value), by: isText, turn: (value) => [0, 1, 2, 3].includes(value),
};

function only(table, good) {
  return Object.fromEntries(Object.entries(isTable(table) ? table : {}).filter(([name, value]) => good(value, name)));
}

function soundRecord(record) {
  const kept = { ...record };
  const parts = {
    checks: (part) => only(part, (check, day) => isDay(day) && fits(check, CHECK)),
    events: (part) => only(part, (event) => fits(event, EVENT) && isText(event.event) && isText(event.on) && isDay(event.on)),
    unsown: (part) => only(part, isFlag),
    draft: (part) => (Array.isArray(part) ? part.filter(isText) : []),
    base: (part) => (fits(part, BASE) && isText(part.day) && are(isCount)(part.cells) ? part : undefined),
  };
  for (const [name, sound] of Object.entries(parts)) {
    if (kept[name] === undefined) continue;
    const part = sound(kept[name]);
    if (part === undefined || (JSON.stringify(part) !== JSON.stringify(kept[name]) && !Object.keys(part).length)) delete kept[name];
    else kept[name] = part;
  }
  return kept;
}

function soundTrays(trays) {
  const isSide = (value) => isCount(value) && value >= 1 && value <= 100;
  return trays.filter((one) => isTable(one) && isText(one.tray) && one.tray && isSide(one.rows) && isSide(one.columns)
    && fits(one, { sown: (day) => day === "" || (isText(day) && isDay(day)) }))
    .map(({ tray, rows, columns, sown = "" }) => ({ tray, rows, columns, sown }));
}

function soundSettings(settings) {
  return only(settings, (value, name) => Object.hasOwn(SETTINGS, name) && SETTINGS[name](value));
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
  return { checks: {}, events: {}, unsown: {}, ...readJson(TRAY + id, {}, soundRecord) };
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

function keptTyped() {
  return readJson("trays", [], soundTrays);
}

function typedTrays() {
  return keptTyped().map((one) => ({
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
  const all = readJson("settings", {}, soundSettings);
  if (value === undefined) return all[name];
  writeText("settings", JSON.stringify({ ...all, [name]: value }));
  return value;
}
