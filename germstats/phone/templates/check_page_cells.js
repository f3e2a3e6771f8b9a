// The grid of a tray: drawn as the tray lies before her, tapped or walked by keys; and events, which choose cells in it.

const LIES = ["top left", "top right", "bottom right", "bottom left"];
const SIDE = 16; // px of the row letters, as in the style
const LEAST = 24; // px, the least of WCAG 2.2, success criterion 2.5.8
const NARROW = 40; // px a cell should have across before the tray is turned by itself

/** Quarter turns to the right in which the tray is drawn. */
function turnOf(tray) {
  const wanted = setting("turn");
  if (wanted !== undefined) return wanted;
  const room = (document.documentElement.clientWidth - 45) / tray.columns;
  return tray.columns > tray.rows && room < NARROW ? 1 : 0;
}

/** Row and column of the tray at a place of the drawing. */
function placeAt(tray, turn, i, j) {
  if (turn === 1) return [tray.rows - 1 - j, i];
  if (turn === 2) return [tray.rows - 1 - i, tray.columns - 1 - j];
  if (turn === 3) return [j, tray.columns - 1 - i];
  return [i, j];
}

function gridButtons() {
  return [...element("grid").querySelectorAll("button")];
}

function renderCells(tray, record, day, problem) {
  const choosing = view.mode === "event";
  element("no-grid").hidden = hasGrid(tray);
  element("no-grid").textContent = tray.rows && tray.columns
    ? "The tray has too many cells to draw; count it as a whole."
    : "The table trays does not tell rows and columns of this tray, so its cells cannot be drawn; count it as a whole.";
  for (const id of ["grid", "corner", "turn"]) element(id).hidden = !hasGrid(tray);
  for (const id of ["tools", "tally", "rest", "part-line"]) element(id).hidden = choosing || !hasGrid(tray);
  if (!hasGrid(tray)) return;
  const turn = turnOf(tray);
  drawGrid(tray, turn);
  element("corner").textContent = `Label at ${DATA.corner} (${LIES[turn]}).`;
  const start = startOf(tray, record, day);
  const check = record.checks[day] || {};
  const picked = new Set(record.draft || []);
  for (const one of gridButtons()) {
    const state = cellState(tray, record, check, start, one.dataset.cell);
    drawCell(one, state, choosing ? picked.has(one.dataset.cell) : null);
    one.disabled = Boolean(problem);
  }
  if (!choosing) renderTally(tray, record, day, start, problem);
}

function drawGrid(tray, turn) {
  const key = `${tray.tray}|${tray.rows}|${tray.columns}|${turn}`;
  if (view.drawn === key) return;
  view.drawn = key;
  const [down, across] = turn % 2 ? [tray.columns, tray.rows] : [tray.rows, tray.columns];
  const grid = element("grid");
  const head = make("tr");
  head.append(make("th", "", "side"));
  for (let j = 0; j < across; j += 1) {
    const [row, column] = placeAt(tray, turn, 0, j);
    head.append(headCell(turn % 2 ? rowLetters(row) : String(column + 1), "col"));
  }
  const lines = [head];
  for (let i = 0; i < down; i += 1) {
    const line = make("tr");
    const [row, column] = placeAt(tray, turn, i, 0);
    line.append(headCell(turn % 2 ? String(column + 1) : rowLetters(row), "row"));
    for (let j = 0; j < across; j += 1) line.append(cellOf(...placeAt(tray, turn, i, j)));
    lines.push(line);
  }
  grid.replaceChildren(...lines);
  grid.className = `turn${turn} ${across > 8 ? "small" : ""}`;
  // below 24 px a cell is no target any more: then the grid, not the page, scrolls sideways
  grid.style.minWidth = `${SIDE + 1 + (LEAST + 1) * across}px`;
  grid.style.maxWidth = `${SIDE + 66 * across}px`;
  const focus = gridButtons().find((one) => one.dataset.cell === (view.focus || DATA.corner)) || gridButtons()[0];
  focus.tabIndex = 0;
}

function headCell(words, scope) {
  const one = make("th", words, scope === "row" ? "side" : "");
  one.scope = scope;
  return one;
}

function cellOf(row, column) {
  const one = make("button");
  one.type = "button";
  one.dataset.cell = cellName(row, column);
  one.tabIndex = -1;
  const place = make("td");
  place.append(one);
  return place;
}

function cellState(tray, record, check, start, cell) {
  const now = (check.cells || {})[cell];
  const before = start[cell];
  return {
    cell, now, before,
    sown: isSown(tray, record, cell),
    number: now === undefined ? before : Math.max(now, before || 0),
    fresh: now === undefined ? 0 : Math.max(now - (before || 0), 0),
  };
}

function numberWords(number) {
  return count(number, "seedling");
}

function cellWords(state) {
  const label = state.cell === DATA.corner ? ", label corner" : "";
  if (!state.sown) return `${state.cell}, not sown${label}`;
  if (state.now !== undefined) {
    return `${state.cell}, ${numberWords(state.number)}, ${state.fresh ? `${state.fresh} new` : "none new"}${label}`;
  }
  return `${state.cell}, ${state.before === undefined ? "" : `${numberWords(state.before)} before, `}not looked at yet${label}`;
}

function drawCell(one, state, picked) {
  const looked = state.now !== undefined && state.sown;
  one.textContent = !state.sown ? "" : looked || state.number ? String(state.number) : "";
  one.setAttribute("aria-label", cellWords(state));
  const marks = { looked, new: looked && state.fresh > 0, unsown: !state.sown, picked: picked === true, label: state.cell === DATA.corner };
  for (const [name, on] of Object.entries(marks)) one.classList.toggle(name, on);
  if (picked === null) one.removeAttribute("aria-pressed");
  else one.setAttribute("aria-pressed", String(picked));
}

function renderTally(tray, record, day, start, problem) {
  const state = stateOf(tray, record, day);
  const check = record.checks[day] || {};
  const states = sownCells(tray, record).map((cell) => cellState(tray, record, check, start, cell));
  const filled = states.filter((one) => one.number > 0).length;
  const total = states.reduce((sum, one) => sum + (one.number || 0), 0);
  const over = states.filter((one) => one.number > mostOf(tray, one.cell)).map((one) => one.cell);
  const fresh = states.reduce((sum, one) => sum + one.fresh, 0);
  element("tally").textContent = `${state.looked} of ${state.sown} cells looked at. Ever seen: ${count(total, "seedling")} in `
    + `${count(filled, "cell")}, ${fresh} new.${over.length ? ` More than was sown, so count again: ${over.join(" ")}.` : ""}`;
  const left = state.sown - state.looked;
  element("rest").disabled = left === 0 || Boolean(problem);
  element("rest").textContent = left === 0 ? "The whole tray is looked at"
    : state.looked ? `The rest looked at, nothing new: ${count(left, "cell")}` : "Whole tray looked at, nothing new";
  const mayPart = left > 0 && state.looked > 0;
  element("part-line").hidden = !mayPart;
  element("part").checked = Boolean(check.part);
}

/** Most seeds sown in a cell; no bound where a pinch was. */
function mostOf(tray, cell) {
  const most = tray.own[cell] === undefined ? tray.most : tray.own[cell];
  return most === null ? Infinity : most;
}

// --- taps

/** What a tap does to a cell; words to say instead where it does nothing. */
function tapped(tool, state, tray) {
  const floor = state.before || 0;
  if (tool === "unsown") return { words: state.sown ? "not sown" : "sown" };
  if (!state.sown) return { refuse: `${state.cell} is marked as not sown; tap it with "not sown" to use it.` };
  if (tool === "add") return { number: (state.number || 0) + 1 };
  if (tool === "same") return { number: state.now === undefined ? floor : state.number };
  if (tool === "take") {
    if (state.now === undefined) {
      return { refuse: floor ? `${state.cell}: ${floor} were seen before, and what was seen stays seen.` : `${state.cell} is blank already.` };
    }
    return state.number > floor ? { number: state.number - 1 } : { number: undefined };
  }
  const number = Number(tool);
  return number < floor ? { refuse: `${state.cell}: ${floor} were seen before, and what was seen stays seen.` } : { number };
}

function tapCell(cell, tool) {
  if (view.mode === "event") {
    pickCell(cell);
    return;
  }
  let words = "";
  checkChange((record, tray, day) => {
    const check = record.checks[day] || {};
    const state = cellState(tray, record, check, startOf(tray, record, day), cell);
    const act = tapped(tool, state, tray);
    if (act.refuse) {
      words = act.refuse;
      return [];
    }
    if (act.words) {
      words = `${cell}: ${act.words}`;
      return [[["unsown", cell], state.sown]];
    }
    const most = mostOf(tray, cell);
    words = act.number === undefined ? `${cell}: not looked at` : `${cell}: ${numberWords(act.number)}`;
    if (act.number > most) words += `; more than the ${most} sown there, so count again (a weed? a second sowing?)`;
    return cellChanges(record, day, { [cell]: act.number });
  }, cell);
  say(words);
}

function lookedAtRest() {
  let number = 0;
  checkChange((record, tray, day) => {
    const cells = (record.checks[day] || {}).cells || {};
    const start = startOf(tray, record, day);
    const numbers = {};
    for (const cell of sownCells(tray, record)) if (cells[cell] === undefined) numbers[cell] = start[cell] || 0;
    number = Object.keys(numbers).length;
    return [...cellChanges(record, day, numbers), [["checks", day, "part"], undefined]];
  }, "the rest of the tray");
  say(`${count(number, "more cell")} looked at, nothing new. The tray is done.`);
}

function partOnly() {
  const wanted = element("part").checked;
  const tray = theTray();
  if (wanted && !allSeenBefore(tray, recordOf(tray.tray), theDay())) {
    element("part").checked = false;
    say("The first look has to take in every cell sown, or the book would take the others as not sown. Mark cells without seed as not sown.");
    return;
  }
  checkChange((record, one, day) => [[["checks", day, "part"], wanted || undefined]], "a part only");
  say(wanted ? "Only the cells you tapped are exported for this day." : "All cells are waited for.");
}

function bindCells() {
  const grid = element("grid");
  grid.addEventListener("click", (event) => {
    const one = event.target.closest("button");
    if (!one) return;
    moveFocus(one, false);
    tapCell(one.dataset.cell, view.tool);
  });
  grid.addEventListener("keydown", cellKey);
  element("rest").addEventListener("click", lookedAtRest);
  element("part").addEventListener("change", partOnly);
  element("turn").addEventListener("click", () => {
    const turn = setting("turn", (turnOf(theTray()) + 1) % 4);
    render();
    say(`Label at ${DATA.corner}, ${LIES[turn]}.`);
  });
  element("add-event").addEventListener("click", addEvent);
}

const KEYS = { "+": "add", "=": "add", "-": "take", n: "same", N: "same" };
const MOVES = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0], Home: [0, -999], End: [0, 999] };

function cellKey(event) {
  const one = event.target.closest("button");
  if (!one || event.ctrlKey || event.metaKey || event.altKey) return;
  if (MOVES[event.key]) {
    event.preventDefault();
    const line = one.closest("tr");
    const rows = [...element("grid").rows];
    const across = line.cells.length - 1;
    const i = Math.min(Math.max(rows.indexOf(line) + MOVES[event.key][0], 1), rows.length - 1);
    const j = Math.min(Math.max(one.parentElement.cellIndex + MOVES[event.key][1], 1), across);
    moveFocus(rows[i].cells[j].querySelector("button"), true);
  } else if (view.mode === "cells" && (KEYS[event.key] || /^\d$/.test(event.key))) {
    event.preventDefault();
    tapCell(one.dataset.cell, KEYS[event.key] || event.key);
  }
}

function moveFocus(one, focus) {
  for (const other of element("grid").querySelectorAll("button[tabindex='0']")) other.tabIndex = -1;
  one.tabIndex = 0;
  view.focus = one.dataset.cell;
  if (focus) one.focus();
}

// --- events

function pickCell(cell) {
  change(view.tray, (record) => {
    const picked = new Set(record.draft || []);
    if (!picked.delete(cell)) picked.add(cell);
    return [[["draft"], picked.size ? [...picked] : undefined]];
  }, `${cell} for an event`);
  render();
  say(`${cell} ${(recordOf(view.tray).draft || []).includes(cell) ? "chosen" : "not chosen"}`);
}

function pickedCells(tray, record) {
  const picked = new Set(record.draft || []);
  return cellNames(tray).filter((cell) => picked.has(cell));
}

function renderEvents(tray, record, problem) {
  const picked = hasGrid(tray) ? pickedCells(tray, record) : [];
  element("event-cells").textContent = picked.length ? `For ${count(picked.length, "cell")}: ${picked.join(" ")}.`
    : "For the whole tray; tap cells below if it touched only some.";
  element("add-event").disabled = Boolean(problem);
  const events = Object.entries(record.events).sort(([, a], [, b]) => (a.on < b.on ? -1 : 1));
  element("events-title").hidden = !events.length;
  element("events").replaceChildren(...events.map(([id, event]) => {
    const line = make("li");
    const words = make("span", `${event.event.replaceAll("_", " ")}, ${dayWords(event.on)}, ${event.cells || "whole tray"}`);
    if (event.note) words.append(": ", make("bdi", event.note));
    line.append(words, button("Remove", () => {
      change(tray.tray, () => [[["events", id], undefined]], "an event removed");
      render();
      say(`Removed: ${event.event.replaceAll("_", " ")}`);
    }));
    return line;
  }));
}

function addEvent() {
  const tray = theTray();
  const day = theDay();
  const word = element("event").value;
  showWords("event-problem", word ? "" : "Choose what happened.");
  if (!word || dayProblem(tray, day, true)) return;
  const note = element("event-note").value.trim();
  change(tray.tray, (record) => {
    const cells = hasGrid(tray) ? pickedCells(tray, record).join(" ") : "";
    const id = `${Date.now().toString(36)}${Math.random().toString(36).slice(2, 6)}`;
    return [[["events", id], { on: day, event: word, cells, note }], [["draft"], undefined]];
  }, "an event noted");
  element("event").value = "";
  element("event-note").value = "";
  render();
  say(`Noted: ${word.replaceAll("_", " ")}`);
}
