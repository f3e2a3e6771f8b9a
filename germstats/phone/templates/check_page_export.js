// Export and clearing. A file is marked as exported when it was handed over; nothing goes unless asked for twice.

const TABLES = ["cells", "checks", "events"];

function element(id) {
  return document.getElementById(id);
}

function make(tag, words = "", classes = "") {
  const one = document.createElement(tag);
  if (words) one.textContent = words;
  if (classes) one.className = classes;
  return one;
}

function count(number, word, words) {
  return `${number} ${number === 1 ? word : words || word + "s"}`;
}

function checksAndEvents(checks, events) {
  const parts = [];
  if (checks || !events) parts.push(count(checks, "check"));
  if (events) parts.push(count(events, "event"));
  return parts.join(" and ");
}

function button(words, act, classes = "") {
  const one = make("button", words, classes);
  one.type = "button";
  one.addEventListener("click", act);
  return one;
}

function told(words) {
  element("exported").textContent = words;
}

function fileName(name) {
  return `${name}-to-add-${today()}.csv`;
}

function renderExport() {
  const checks = allChecks();
  const ready = checks.filter((one) => !one.inBook && (one.state.cells || one.state.count));
  const events = allEvents();
  const inBook = checks.filter((one) => one.inBook).length;
  element("ready").textContent = ready.length || events.length
    ? `${checksAndEvents(ready.length, events.length)} to export.`
    : "Nothing to export.";
  if (inBook) element("ready").textContent += ` ${count(inBook, "check")} more: the book has that day already.`;
  renderUnfinished(checks.filter((one) => !one.inBook && !one.state.cells && (one.state.looked > 0 || !one.state.count)));
  const files = element("files");
  const open = new Set([...files.querySelectorAll("details[open]")].map((one) => one.dataset.table));
  files.replaceChildren(...TABLES.filter((name) => rowsOf(name).length).map((name) => fileBlock(name, open.has(name))));
  renderColumns();
  renderAside();
  const all = checks.length + events.length;
  element("clear").disabled = all === 0;
  element("clear-words").textContent = all
    ? `${checksAndEvents(checks.length, events.length)} are kept in this browser.`
    : "Nothing is kept in this browser.";
}

function renderUnfinished(checks) {
  element("unfinished").replaceChildren(...checks.map(({ tray, day, state }) => {
    const line = make("li");
    const words = make("span");
    const name = make("bdi", tray.tray);
    const why = state.looked ? `${state.looked} of ${state.sown} cells looked at, so they are held back` : "a note but no number, so it is held back";
    words.append(name, `, ${dayWords(day)}: ${why}.`);
    line.append(words, button("Finish", () => openTray(tray.tray, day)));
    return line;
  }));
}

function fileBlock(name, open) {
  const block = make("div", "", "file");
  const rows = rowsOf(name).length;
  block.append(make("h3", `${name}: ${count(rows, "row")}`));
  const buttons = make("div", "", "buttons");
  buttons.append(button(`Save ${name} as a file`, () => save(name)));
  buttons.append(button("Copy for a spreadsheet", () => copy(name, pasteText(name), block)));
  if (canShare(name)) buttons.append(button("Share", () => share(name)));
  const details = make("details");
  details.dataset.table = name;
  details.open = open;
  const area = make("textarea");
  area.readOnly = true;
  area.value = csvText(name);
  area.setAttribute("aria-label", `Text of ${name}`);
  area.spellcheck = false;
  details.append(
    make("summary", "Show the text, to copy it where saving is refused"),
    area,
    button("Copy this text", () => copy(name, csvText(name), block)),
  );
  block.append(buttons, details);
  return block;
}

function save(name) {
  const address = URL.createObjectURL(new Blob([csvText(name)], { type: "text/csv;charset=utf-8" }));
  const link = make("a");
  link.href = address;
  link.download = fileName(name);
  link.click();
  setTimeout(() => URL.revokeObjectURL(address), 60000);
  told(`${fileName(name)} was handed to the browser's downloads. If nothing was saved, open "Show the text" and copy it.`);
  markExported(name);
}

async function copy(name, text, block) {
  try {
    await navigator.clipboard.writeText(text);
    told(`${count(rowsOf(name).length, "row")} of ${name} copied.`);
    markExported(name);
  } catch {
    const details = block.querySelector("details");
    const area = block.querySelector("textarea");
    details.open = true;
    area.value = text;
    area.focus();
    area.select();
    if (document.execCommand && document.execCommand("copy")) {
      told(`${count(rowsOf(name).length, "row")} of ${name} copied.`);
      markExported(name);
    } else {
      told("The browser refused to copy. The text is marked below: copy it by hand.");
    }
  }
}

function asFile(name) {
  return new File([csvText(name)], fileName(name), { type: "text/csv" });
}

function canShare(name) {
  try {
    return Boolean(navigator.canShare && navigator.canShare({ files: [asFile(name)] }));
  } catch {
    return false;
  }
}

async function share(name) {
  try {
    await navigator.share({ files: [asFile(name)], title: fileName(name) });
    told(`${fileName(name)} was shared.`);
    markExported(name);
  } catch (error) {
    if (error.name !== "AbortError") told("Sharing was refused; save the file or copy the text.");
  }
}

/** A check with rows in two tables counts as exported once both have gone. */
function markExported(name) {
  const now = new Date().toISOString();
  if (name === "events") {
    for (const { tray, id } of allEvents()) {
      change(tray.tray, () => [[["events", id, "sent"], now], [["events", id, "changed"], undefined]], "", true);
    }
  } else {
    const part = name === "cells" ? "sentCells" : "sentCount";
    for (const { tray, day, state, inBook } of allChecks()) {
      if (inBook || !(name === "cells" ? state.cells : state.count)) continue;
      const both = (name === "cells" || !state.cells || hasGone(tray, day, "sentCells"))
        && (name === "checks" || !state.count || hasGone(tray, day, "sentCount"));
      const marks = [[["checks", day, part], now]];
      if (both) marks.push([["checks", day, "sent"], now], [["checks", day, "changed"], undefined]);
      change(tray.tray, () => marks, "", true);
    }
  }
  const words = element("exported").textContent;
  renderExport();
  told(words);
}

function hasGone(tray, day, part) {
  const check = recordOf(tray.tray).checks[day];
  return Boolean(check && check[part]);
}

/** Texts that were damaged, to read by eye and to throw away when they are of no more use. */
function renderAside() {
  const box = element("aside");
  const aside = setAside();
  box.hidden = !aside.length;
  box.replaceChildren(...(aside.length ? [make("h3", "Damaged texts, set aside")] : []), ...aside.map(([key, what]) => {
    const block = make("div", "", "file");
    const area = make("textarea");
    area.readOnly = true;
    area.value = readText(key);
    area.setAttribute("aria-label", `Damaged text of ${what}`);
    area.spellcheck = false;
    const name = make("p");
    name.append(make("bdi", what), ": if checks can be read from it, enter them again; then throw it away.");
    block.append(name, area, button("Throw this text away", () => {
      writeText(key, null);
      render();
      told("Thrown away.");
    }));
    return block;
  }));
}

function renderColumns() {
  const lacking = TABLES.filter((name) => DATA.missing[name].length && rowsOf(name).length);
  const words = lacking.map((name) => `${name}: ${DATA.missing[name].join(", ")}`).join("; ");
  element("columns").hidden = !lacking.length;
  element("columns").textContent = lacking.length
    ? `The rows have the book's own columns in their order, and at the end some it lacks (${words}); write these into its header first.`
    : "";
}

// --- clearing

function isOut(one) {
  return Boolean(one.sent && !one.changed);
}

function askToClear() {
  const checks = allChecks();
  const events = allEvents();
  const goneChecks = checks.filter((one) => one.inBook || isOut(one.check));
  const goneEvents = events.filter((one) => isOut(one.event));
  const left = checks.length + events.length - goneChecks.length - goneEvents.length;
  const changed = checks.filter((one) => one.check.changed && !one.inBook).length;
  const sentOn = [...goneChecks.map((one) => one.check.sent), ...goneEvents.map((one) => one.event.sent)].filter(Boolean).sort().pop();
  const exported = checksAndEvents(goneChecks.length, goneEvents.length);
  element("sure-words").textContent = `${checksAndEvents(checks.length, events.length)} are kept here. `
    + (goneChecks.length + goneEvents.length ? `Exported: ${exported}${sentOn ? `, last on ${dayWords(isoDay(new Date(sentOn)))}` : ""}. ` : "None was exported. ")
    + (left ? `Never exported${changed ? `, or changed since (${changed})` : ""}: ${left}; if cleared, ${left === 1 ? "it is" : "they are"} lost.` : "All were exported.");
  element("clear-exported").hidden = goneChecks.length + goneEvents.length === 0;
  element("clear-exported").textContent = `Clear what was exported: ${exported}`;
  element("clear-all").hidden = left === 0;
  element("clear-all").textContent = `Clear everything, also the ${left} never exported`;
  element("sure").showModal();
  element("keep-all").focus();
}

function clearKept(everything) {
  let checks = 0;
  let events = 0;
  for (const tray of keptTrays()) {
    const record = freshRecord(tray.tray);
    const known = new Map(allChecks().filter((one) => one.tray.tray === tray.tray).map((one) => [one.day, one]));
    for (const day of Object.keys(record.checks).sort()) {
      const one = known.get(day);
      if (!everything && !(one && (one.inBook || isOut(one.check)))) continue;
      if (one && (one.inBook || isOut(one.check))) moveToBase(tray, record, day);
      delete record.checks[day];
      checks += 1;
    }
    for (const [id, event] of Object.entries(record.events)) {
      if (!everything && !isOut(event)) continue;
      delete record.events[id];
      events += 1;
    }
    if (everything) delete record.draft;
    keep(tray.tray, record);
  }
  undos.length = 0;
  element("sure").close();
  renderExport();
  told(`Cleared: ${checksAndEvents(checks, events)}.`);
}

/** Numbers that went into the book stay as the start of the next check. */
function moveToBase(tray, record, day) {
  const check = record.checks[day];
  const base = record.base || { day: "", cells: {} };
  for (const [cell, number] of Object.entries(check.cells || {})) {
    base.cells[cell] = Math.max(base.cells[cell] || 0, number);
  }
  if (check.filled !== undefined) base.filled = check.filled;
  base.day = base.day > day ? base.day : day;
  record.base = base;
}
