// What is seen and tapped. Every tap is written before anything is drawn again.

const view = { tray: null, day: null, mode: "cells", tool: "add", drawn: "", focus: null };

function theDay() {
  return view.day === null ? today() : view.day;
}

function theTray() {
  return allTrays().find((one) => one.tray === view.tray) || null;
}

function say(words) {
  element("said").textContent = words;
}

function show(part) {
  for (const name of ["list", "tray", "export"]) {
    element(name).hidden = name !== part;
    if (name === part) document.body.dataset.part = name;
    if (name === part) element(`show-${name}`).setAttribute("aria-current", "page");
    else element(`show-${name}`).removeAttribute("aria-current");
  }
  told("");
  render();
}

function shown() {
  return ["list", "tray", "export"].find((name) => !element(name).hidden);
}

function render() {
  renderKept();
  if (shown() === "list") renderList();
  else if (shown() === "tray") renderTray();
  else renderExport();
}

function renderKept() {
  const box = element("refused");
  const words = refusal
    ? `${refusal} What you tap now may stand in this page only: do not close or reload it before you have exported.`
    : "";
  if (box.textContent !== words) box.textContent = words;
  box.hidden = !refusal;
  const aside = setAside().map(([, what]) => what);
  showWords("damaged", aside.length
    ? `Something kept here was damaged and is set aside: ${[...new Set(aside)].join(", ")}. What of it was sound goes on, the rest starts anew. The damaged text stands under Export.`
    : "");
  element("kept").textContent = refusal ? "" : second ? "Every tap is kept in this browser."
    : "Every tap is kept in this browser; after a dead battery those of the last minute may be missing.";
}

// --- the list

function renderList() {
  const trays = allTrays();
  const day = theDay();
  const when = day === today() ? "today" : `on ${dayWords(day)}`;
  element("done").textContent = trays.length
    ? `${trays.filter((one) => isDone(one, day)).length} of ${count(trays.length, "tray")} looked at ${when}.`
    : "No tray yet: add one below.";
  const wanted = element("search").value.trim().toLocaleLowerCase();
  const found = trays.filter((one) =>
    [one.tray, one.lot, one.species, one.name, one.place, one.block].join("\n").toLocaleLowerCase().includes(wanted));
  element("found").textContent = wanted ? `${count(found.length, "tray")} found.` : "";
  const lines = [];
  let place = null;
  for (const tray of found) {
    if (tray.place !== place && (tray.place || place)) {
      const head = make("li", "", "place");
      head.append(make("bdi", tray.place || "no place"));
      lines.push(head);
    }
    place = tray.place;
    lines.push(listLine(tray, day));
  }
  element("trays").replaceChildren(...lines);
}

function listLine(tray, day) {
  const line = make("li");
  const one = button("", () => openTray(tray.tray));
  const name = make("b");
  name.append(make("bdi", tray.tray));
  const about = make("span", "", "quiet");
  for (const part of [tray.lot, tray.name, tray.treatment].filter(Boolean)) {
    if (about.hasChildNodes()) about.append(", ");
    about.append(make("bdi", part));
  }
  if (tray.typed) about.append(`${tray.rows} x ${tray.columns} cells`);
  const state = stateOf(tray, recordOf(tray.tray), day);
  const done = state.cells || state.count;
  const words = done ? "looked at" : state.looked ? `${state.looked} of ${state.sown} cells` : "";
  one.append(name, about, make("span", words, done ? "state done" : "state"));
  line.append(one);
  return line;
}

function openTray(id, day) {
  view.tray = id;
  if (day !== undefined) view.day = day === today() ? null : day;
  const tray = theTray();
  const check = recordOf(id).checks[theDay()];
  if (check && Object.keys(check.cells || {}).length) view.mode = "cells";
  else if (check && !isBlank(check)) view.mode = "count";
  else if (tray.days.cells.length) view.mode = "cells";
  else if (tray.days.checks.length) view.mode = "count";
  else view.mode = setting("mode") || "cells";
  if (!hasGrid(tray) && view.mode === "cells") view.mode = "count";
  view.focus = null;
  view.drawn = "";
  showWords("count-problem", "");
  for (const name of ["filled", "seedlings"]) element(name).setAttribute("aria-invalid", "false");
  document.activeElement.blur();
  show("tray");
  say("");
  scrollTo(0, 0);
  element("name").focus({ preventScroll: true });
}

function step(by) {
  const trays = allTrays();
  const at = trays.findIndex((one) => one.tray === view.tray) + by;
  if (at < 0 || at >= trays.length) return;
  const counting = view.mode === "count";
  openTray(trays[at].tray);
  // the phone's keypad stays up from tray to tray
  if (counting && view.mode === "count") element("filled").focus({ preventScroll: true });
}

// --- one tray

function renderTray() {
  const tray = theTray();
  element("chosen").hidden = tray === null;
  element("nothing-chosen").hidden = tray !== null;
  if (!tray) return;
  const trays = allTrays();
  const at = trays.findIndex((one) => one.tray === tray.tray);
  const day = theDay();
  const record = recordOf(tray.tray);
  const check = record.checks[day] || {};
  const problem = dayProblem(tray, day, view.mode === "event");
  element("order").textContent = `${at + 1} of ${trays.length}; ${trays.filter((one) => isDone(one, day)).length} looked at`;
  element("name").replaceChildren(make("bdi", tray.tray));
  renderAbout(tray);
  const field = element("day");
  if (document.activeElement !== field) field.value = isDay(day) ? day : "";
  field.max = today();
  field.min = tray.sown || "";
  element("to-today").hidden = view.day === null;
  showWords("problem", problem);
  for (const one of document.querySelectorAll("input[name=mode]")) {
    one.checked = one.value === view.mode;
    if (one.value === "cells") one.disabled = !hasGrid(tray);
  }
  showWords("hint", hintFor(tray, record, check));
  element("count-part").hidden = view.mode !== "count";
  for (const id of ["event-part", "event-end"]) element(id).hidden = view.mode !== "event";
  element("cells-part").hidden = view.mode === "count";
  element("note-field").hidden = view.mode === "event";
  for (const name of ["filled", "seedlings"]) fillField(name, check[name] === undefined ? "" : String(check[name]), problem);
  fillField("note", check.note || "", problem);
  fillField("by", setting("by") || "", "");
  element("none").disabled = Boolean(problem);
  element("forget").hidden = !tray.typed;
  renderCount(tray, record, day);
  if (view.mode === "event") renderEvents(tray, record, problem);
  if (view.mode !== "count") renderCells(tray, record, day, problem);
  element("undo").disabled = undos.length === 0;
  element("previous").disabled = at <= 0;
  element("next").disabled = at >= trays.length - 1;
}

function showWords(id, words) {
  if (element(id).textContent !== words) element(id).textContent = words;
  element(id).hidden = !words;
}

function fillField(id, text, problem) {
  const field = element(id);
  field.disabled = Boolean(problem);
  const wrong = field.getAttribute("aria-invalid") === "true";
  if (field.value !== text && !(document.activeElement === field && (wrong || field.value.trim() === text))) field.value = text;
}

function renderAbout(tray) {
  const parts = [tray.place && [tray.place, tray.block], tray.lot && [tray.lot, tray.name || tray.species], [tray.treatment]];
  const about = element("about");
  about.replaceChildren();
  for (const words of parts.map((part) => (part || []).filter(Boolean)).filter((part) => part.length)) {
    if (about.hasChildNodes()) about.append("; ");
    words.forEach((word, k) => about.append(k ? " " : "", make("bdi", word)));
  }
  const rest = [
    tray.rows && tray.columns ? `${tray.rows} x ${tray.columns} cells` : "rows and columns not known",
    tray.seeds && `seeds per cell: ${tray.seeds}`,
    tray.sown && `sown ${shortDay(tray.sown)}`,
    lastKnown(tray) ? `last look in the book ${shortDay(lastKnown(tray))}` : "",
  ].filter(Boolean);
  about.append(about.hasChildNodes() ? "; " : "", rest.join("; "));
}

function hintFor(tray, record, check) {
  if (check.sent && check.changed) {
    return "Changed since it was exported. If the book has the earlier rows of this day, put the new ones in their place.";
  }
  if (view.mode === "count" && tray.days.cells.length) {
    return "This tray's cells were noted one by one so far. A count of the whole tray is kept in the book, but estimates use the cells only.";
  }
  if (view.mode === "cells" && tray.days.checks.length && !tray.days.cells.length) {
    return "This tray was counted as a whole so far. Once single cells are noted, estimates use the cells only, and its earlier counts no more.";
  }
  return "";
}

function renderCount(tray, record, day) {
  const cells = tray.rows && tray.columns ? sownCells(tray, record).length || tray.rows * tray.columns : 0;
  element("of-cells").textContent = cells ? `, of ${cells}` : "";
  const before = Object.entries(record.checks).filter(([when, one]) => when < day && one.filled !== undefined).sort().pop();
  const base = record.base && record.base.filled !== undefined ? record.base.filled : tray.filled;
  const last = before ? before[1].filled : base;
  element("last-filled").textContent = last === null || last === undefined ? "" : `Last time: ${last}. It may be fewer now, where some died.`;
}

// --- events that bind

function checkChange(plan, words) {
  const tray = theTray();
  const day = theDay();
  if (!tray || dayProblem(tray, day, false)) {
    render();
    return false;
  }
  const by = (setting("by") || "").trim();
  const changed = change(tray.tray, (record) => {
    const changes = plan(record, tray, day);
    return changes.length && by ? [...changes, [["checks", day, "by"], by]] : changes;
  }, words);
  render();
  return changed;
}

function typedCount(name) {
  const tray = theTray();
  const field = element(name);
  const text = field.value.trim();
  const most = name === "filled" && tray.rows && tray.columns ? tray.rows * tray.columns : 1000000;
  const wrong = text !== "" && !/^\d{1,7}$/.test(text) ? "Write a whole number, such as 34; blank = not counted."
    : Number(text) > most ? `The tray has ${most} cells, so ${text} cannot be filled.` : "";
  field.setAttribute("aria-invalid", wrong ? "true" : "false");
  if (wrong) {
    showWords("count-problem", `${wrong} Not kept.`);
    return;
  }
  checkChange((record, one, day) => [[["checks", day, name], text === "" ? undefined : Number(text)]], `${name} of ${tray.tray}`);
  const check = recordOf(tray.tray).checks[theDay()] || {};
  const few = check.seedlings !== undefined && check.filled !== undefined && check.seedlings < check.filled;
  showWords("count-problem", few ? `${check.seedlings} seedlings cannot fill ${check.filled} cells; mend one of the two.` : "");
  say(text === "" ? `${name}: blank` : `${name}: ${text}`);
}

function bind() {
  for (const name of ["list", "tray", "export"]) {
    element(`show-${name}`).addEventListener("click", () => show(name));
  }
  element("search").addEventListener("input", renderList);
  element("add-tray").addEventListener("submit", addTray);
  element("day").addEventListener("change", () => {
    const day = element("day").value;
    view.day = day === today() ? null : day;
    render();
  });
  element("to-today").addEventListener("click", () => {
    view.day = null;
    element("day").value = today();
    render();
    element("day").focus();
  });
  for (const one of document.querySelectorAll("input[name=mode]")) {
    one.addEventListener("change", () => {
      view.mode = one.value;
      if (one.value !== "event") setting("mode", one.value);
      say("");
      render();
    });
  }
  for (const one of document.querySelectorAll("input[name=tool]")) {
    one.addEventListener("change", () => { view.tool = one.value; });
  }
  for (const name of ["filled", "seedlings"]) {
    element(name).addEventListener("input", () => typedCount(name));
    element(name).addEventListener("keydown", (event) => { if (event.key === "Enter") step(1); });
  }
  element("none").addEventListener("click", () => {
    element("filled").value = "0";
    typedCount("filled");
  });
  element("note").addEventListener("input", () => {
    const note = element("note").value;
    checkChange((record, tray, day) => [[["checks", day, "note"], note.trim() ? note : undefined]], "the note");
    if (!isDone(theTray(), theDay())) say("The note goes out with the numbers of this check.");
  });
  element("by").addEventListener("input", () => {
    const by = element("by").value;
    setting("by", by);
    const check = recordOf(view.tray).checks[theDay()];
    if (check && !isBlank(check)) change(view.tray, () => [[["checks", theDay(), "by"], by.trim() || undefined]], "", true);
  });
  element("previous").addEventListener("click", () => step(-1));
  element("next").addEventListener("click", () => step(1));
  element("undo").addEventListener("click", undo);
  element("clear").addEventListener("click", askToClear);
  element("keep-all").addEventListener("click", () => element("sure").close());
  element("clear-exported").addEventListener("click", () => clearKept(false));
  element("clear-all").addEventListener("click", () => clearKept(true));
  element("forget").addEventListener("click", forgetTray);
  bindCells();
  addEventListener("storage", (event) => { if (event.key === null || event.key.startsWith(PREFIX)) render(); });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) render(); });
  addEventListener("resize", () => { if (shown() === "tray") render(); });
  addEventListener("beforeunload", (event) => { if (memory.size) event.preventDefault(); });
  document.addEventListener("keydown", (event) => {
    const typing = event.target.matches("input[type=text], input[type=search], textarea");
    if ((event.ctrlKey || event.metaKey) && event.key === "z" && !typing && shown() === "tray") {
      event.preventDefault();
      undo();
    }
  });
}

function undo() {
  const back = undoLast();
  if (!back) return;
  if (back.id !== view.tray) openTray(back.id);
  view.focus = null;
  render();
  say(`Undone: ${back.words}${back.all ? "" : "; what was changed elsewhere since stays"}`);
}

function addTray(event) {
  event.preventDefault();
  const name = plain(element("new-tray").value).trim().replace(/\s+/g, " ");
  const [rows, columns] = ["new-rows", "new-columns"].map((id) => element(id).value.trim());
  const sown = element("new-sown").value;
  const whole = (text) => /^\d{1,3}$/.test(text) && Number(text) >= 1 && Number(text) <= 100;
  const problem = !name ? "Write the name of the tray."
    : allTrays().some((one) => one.tray.toLowerCase() === name.toLowerCase()) ? "A tray of that name is in the list already."
    : !whole(rows) || !whole(columns) ? "Write rows and columns as whole numbers from 1 to 100."
    : sown > today() ? "The sowing day is still to come." : "";
  showWords("add-problem", problem);
  if (problem) return;
  const typed = keptTyped();
  writeText("trays", JSON.stringify([...typed, { tray: name, rows: Number(rows), columns: Number(columns), sown }]));
  element("new-tray").value = "";
  openTray(name);
}

function forgetTray() {
  const record = recordOf(view.tray);
  const kept = Object.keys(record.checks).length + Object.keys(record.events).length;
  if (kept) {
    say(`${count(kept, "check or event", "checks and events")} of this tray are kept; export and clear them first.`);
    return;
  }
  writeText("trays", JSON.stringify(keptTyped().filter((one) => one.tray !== view.tray)));
  writeText(TRAY + view.tray, null);
  view.tray = null;
  show("list");
}

whenRefused = renderKept;
tryStorage();
openSecond().then(() => {
  bind();
  show("list");
});
