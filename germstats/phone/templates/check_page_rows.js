// What a check means: where cells start, when a look is whole, and which rows of which tables it gives.

const MOST_SHOWN = 3000; // cells a grid is still drawn for

function twoFigures(number) {
  return String(number).padStart(2, "0");
}

function isoDay(date) {
  return `${date.getFullYear()}-${twoFigures(date.getMonth() + 1)}-${twoFigures(date.getDate())}`;
}

function today() {
  return isoDay(new Date());
}

const MONTHS = "January February March April May June July August September October November December".split(" ");

function dayWords(day) {
  const [year, month, date] = day.split("-").map(Number);
  return `${date} ${MONTHS[month - 1]} ${year}`;
}

function isDay(text) {
  if (!/^\d{4}-\d{2}-\d{2}$/.test(text)) return false;
  const [year, month, date] = text.split("-").map(Number);
  return isoDay(new Date(year, month - 1, date)) === text;
}

function shortDay(day) {
  return dayWords(day).replace(/([A-Z][a-z]{2})[a-z]*/, "$1");
}

/** The last look the book, or what was cleared here, tells of; "" where there is none. */
function lastKnown(tray) {
  const base = recordOf(tray.tray).base;
  return [...tray.days.cells, ...tray.days.checks, base ? base.day : ""].sort().pop() || "";
}

/** Why nothing can be noted on this day; "" where it can. Events may stand between looks. */
function dayProblem(tray, day, forEvent) {
  if (!isDay(day)) return "Write the day of the check.";
  if (day > today()) return `${dayWords(day)} is still to come; a check is of today or an earlier day.`;
  if (tray.sown && day < tray.sown) return `${dayWords(day)} is before the sowing of this tray on ${dayWords(tray.sown)}.`;
  const last = lastKnown(tray);
  if (!forEvent && last && day <= last) {
    return `The book has a look at this tray on ${dayWords(last)}; mend that day, or an earlier one, in the book itself.`;
  }
  return "";
}

function rowLetters(row) {
  let letters = "";
  for (let left = row + 1; left > 0; left = Math.floor((left - 1) / 26)) {
    letters = String.fromCharCode(65 + ((left - 1) % 26)) + letters;
  }
  return letters;
}

function cellName(row, column) {
  return rowLetters(row) + (column + 1);
}

function hasGrid(tray) {
  return tray.rows > 0 && tray.columns > 0 && tray.rows * tray.columns <= MOST_SHOWN;
}

function cellNames(tray) {
  const names = [];
  for (let row = 0; row < tray.rows; row += 1) {
    for (let column = 0; column < tray.columns; column += 1) names.push(cellName(row, column));
  }
  return names;
}

/** Where the book lists some cells of a tray only, the others were not sown for this id. */
function isSown(tray, record, cell) {
  const said = record.unsown[cell];
  if (said !== undefined) return !said;
  return !Object.keys(tray.seen).length || tray.seen[cell] !== undefined;
}

function sownCells(tray, record) {
  return hasGrid(tray) ? cellNames(tray).filter((cell) => isSown(tray, record, cell)) : [];
}

/** Seedlings seen in each cell before a day: the book, what was cleared here, and earlier checks kept here. */
function startOf(tray, record, day) {
  const start = { ...tray.seen };
  const parts = record.base ? [record.base.cells] : [];
  for (const [when, check] of Object.entries(record.checks)) if (when < day) parts.push(check.cells || {});
  for (const cells of parts) {
    for (const [cell, number] of Object.entries(cells)) start[cell] = Math.max(start[cell] || 0, number);
  }
  return start;
}

/** Changes that set cells on a day; later checks kept here are raised with them, since what was seen stays seen. */
function cellChanges(record, day, numbers) {
  const changes = [];
  for (const [cell, number] of Object.entries(numbers)) {
    changes.push([["checks", day, "cells", cell], number]);
    if (number === undefined) continue;
    for (const [later, check] of Object.entries(record.checks)) {
      const there = (check.cells || {})[cell];
      if (later > day && there !== undefined && there < number) changes.push([["checks", later, "cells", cell], number]);
    }
  }
  return changes;
}

/** How far a check is: {looked, sown, cells, count, part} with cells and count telling whether rows are written. */
function stateOf(tray, record, day) {
  const check = record.checks[day] || {};
  const sown = sownCells(tray, record);
  const cells = check.cells || {};
  const looked = sown.filter((cell) => cells[cell] !== undefined).length;
  const part = Boolean(check.part) && allSeenBefore(tray, record, day);
  return {
    looked,
    sown: sown.length,
    part,
    cells: looked > 0 && (looked === sown.length || part),
    count: check.filled !== undefined || check.seedlings !== undefined,
    begun: !isBlank(check),
  };
}

/** The first look must take in every cell, or the book would take those left out as not sown. */
function allSeenBefore(tray, record, day) {
  const start = startOf(tray, record, day);
  const sown = sownCells(tray, record);
  return sown.length > 0 && sown.every((cell) => start[cell] !== undefined);
}

function isDone(tray, day) {
  const state = stateOf(tray, recordOf(tray.tray), day);
  return state.cells || state.count;
}

/** Everything kept, check by check, in bench order. */
function allChecks() {
  const found = [];
  for (const tray of keptTrays()) {
    const record = recordOf(tray.tray);
    for (const day of Object.keys(record.checks).sort()) {
      const check = record.checks[day];
      const state = stateOf(tray, record, day);
      const inBook = (state.looked > 0 && tray.days.cells.includes(day)) || (state.count && tray.days.checks.includes(day));
      found.push({ tray, day, check, state, inBook });
    }
  }
  return found;
}

function allEvents() {
  const found = [];
  for (const tray of keptTrays()) {
    for (const [id, event] of Object.entries(recordOf(tray.tray).events)) found.push({ tray, id, event });
  }
  return found;
}

/** Rows to add to a table of the book, as objects by column. */
function rowsOf(name) {
  if (name === "events") {
    return allEvents().map(({ tray, event }) => ({
      tray: tray.tray, on: event.on, event: event.event, cells: event.cells, note: event.note,
    }));
  }
  const rows = [];
  for (const { tray, day, check, state, inBook } of allChecks()) {
    const same = { tray: tray.tray, checked_on: day, checked_by: check.by || "" };
    if (inBook) continue;
    if (name === "checks" && state.count) {
      rows.push({ ...same, filled: check.filled, seedlings: check.seedlings, note: check.note || "" });
    }
    if (name === "cells" && state.cells) {
      const looked = sownCells(tray, recordOf(tray.tray)).filter((cell) => check.cells[cell] !== undefined);
      // a note on the tray stands once, with its first cell, unless the count of the tray carries it
      const note = check.note && !state.count ? `whole tray: ${check.note}` : "";
      looked.forEach((cell, k) => rows.push({ ...same, cell, emerged: check.cells[cell], note: k ? "" : note }));
    }
  }
  return rows;
}

const NUMBERS = new Set(["filled", "seedlings", "emerged"]);

/** The text of one value: what a spreadsheet would run as a formula gets an apostrophe, which `check` takes away. */
function guarded(text) {
  return /^[=+\-@\t]/.test(text) || /^'+[=+\-@\t]/.test(text) ? `'${text}` : text;
}

function plain(text) {
  // eslint-disable-next-line no-control-regex
  return text.replace(/[\u0000-\u001f\u007f\u2028\u2029]+/g, " ");
}

function valueText(column, value) {
  if (value === undefined || value === null) return "";
  return NUMBERS.has(column) ? String(value) : guarded(plain(String(value)));
}

function csvValue(text) {
  return /[",;\r\n]|^\s|\s$/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}

function csvText(name) {
  const columns = DATA.columns[name];
  const lines = rowsOf(name).map((row) => columns.map((column) => csvValue(valueText(column, row[column]))).join(","));
  return [columns.map(csvValue).join(","), ...lines].join("\n") + "\n";
}

/** The same rows without a header, parted by tabs: what a spreadsheet takes when pasted. */
function pasteText(name) {
  const columns = DATA.columns[name];
  return rowsOf(name).map((row) => columns.map((column) => valueText(column, row[column])).join("\t") + "\n").join("");
}
