"use strict";
// Target, assurance and seeds per cell are moved by the reader; fill, chance and seeds needed follow from the draws of
// the fit that lie on the page, by the same sums as in the package.
(() => {
  const holder = document.getElementById("what-if-data");
  if (!holder) return;
  const data = JSON.parse(holder.textContent);
  const get = (id) => document.getElementById("what-if-" + id);
  const expit = (x) => 1 / (1 + Math.exp(-x));

  // chance that a cell of n seeds stays empty, fates correlated by rho; a pinch of mean n with evenness k
  function empty(p, rho, n, k) {
    if (k !== null) return Math.pow(1 + (n * p) / k, -k);
    const t = rho / (1 - rho);
    let left = 1;
    for (let r = 0; r < n; r++) left *= (1 - p + r * t) / (1 + r * t);
    return left;
  }

  // how likely each fill of a new tray's cells is, gathered on a grid that keeps the mean
  function fills(lot, n) {
    const size = data.grid;
    const grid = Array.from({ length: size }, (_, i) => Math.sin((i * Math.PI) / (2 * (size - 1))) ** 2);
    const weight = new Float64Array(size);
    let draw = 0;
    for (const [count, rho, sd, each] of lot.runs) {
      for (let i = 0; i < count; i++, draw++) {
        data.nodes.forEach((node, j) => {
          const fill = Math.min(Math.max(1 - empty(expit(lot.logit[draw] + sd * node), rho, n, lot.k), 0), 1);
          let above = Math.ceil((Math.asin(Math.sqrt(fill)) * 2 * (size - 1)) / Math.PI);
          above = Math.min(Math.max(above, 1), size - 1);
          const part = (fill - grid[above - 1]) / (grid[above] - grid[above - 1]);
          weight[above - 1] += each * data.node_weights[j] * (1 - part);
          weight[above] += each * data.node_weights[j] * part;
        });
      }
    }
    return { grid, weight };
  }

  // chances of 0, 1, ..., cells filled
  function filled(lot, n, cells) {
    const { grid, weight } = fills(lot, n);
    const ways = [0];
    for (let c = 0; c < cells; c++) ways.push(ways[c] + Math.log((cells - c) / (c + 1)));
    const chance = new Float64Array(cells + 1);
    grid.forEach((fill, i) => {
      if (weight[i] <= 0) return;
      if (fill <= 0) { chance[0] += weight[i]; return; }
      if (fill >= 1) { chance[cells] += weight[i]; return; }
      const yes = Math.log(fill), no = Math.log1p(-fill);
      for (let c = 0; c <= cells; c++) chance[c] += weight[i] * Math.exp(ways[c] + c * yes + (cells - c) * no);
    });
    const total = chance.reduce((sum, one) => sum + one, 0);
    return chance.map((one) => one / total);
  }

  function at(lot, n, cells, target) {
    const chance = filled(lot, n, cells);
    const wanted = Math.max(Math.ceil(target * cells - 1e-9), 1);
    let sum = 0, mean = 0, low = null, high = null, reached = 0;
    chance.forEach((one, c) => {
      sum += one;
      mean += (c * one) / cells;
      if (low === null && sum >= 0.05) low = c / cells;
      if (high === null && sum >= 0.95) high = c / cells;
      if (c >= wanted) reached += one;
    });
    return { fill: mean, low, high: high === null ? 1 : high, chance: reached };
  }

  // ends of a range are held to 1 and 99: a sign before one reads as an arrow
  const end = (share) => percent(share).replace(/[<>]/, "");
  const percent = (share) => (share < 0.005 ? "<1" : share > 0.995 ? ">99" : String(Math.round(100 * share)));

  function number(input, low, high) {
    const value = Number(input.value);
    const good = input.value !== "" && Number.isFinite(value) && value >= low && value <= high;
    input.setAttribute("aria-invalid", String(!good));
    return good ? value : null;
  }

  function row(n, one, chosen) {
    const line = document.createElement("tr");
    line.classList.toggle("chosen", chosen);
    line.dataset.fill = one.fill;
    line.dataset.chance = one.chance;
    const cells = [String(n), percent(one.fill), end(one.low) + "-" + end(one.high), percent(one.chance)];
    cells.forEach((text, k) => {
      const cell = document.createElement("td");
      cell.className = "number";
      cell.dataset.label = get("table").tHead.rows[0].cells[k].textContent;
      cell.setAttribute("role", "cell");
      cell.textContent = text;
      line.append(cell);
    });
    line.setAttribute("role", "row");
    return line;
  }

  function show() {
    const lot = data.lots[get("lot").selectedIndex];
    const target = number(get("target"), 1, 100), assurance = number(get("assurance"), 1, 99);
    const seeds = number(get("seeds"), 1, 60), cells = number(get("cells"), 1, 1000);
    if ([target, assurance, seeds, cells].includes(null) || seeds % 1 || cells % 1) {
      get("said").textContent = "Cannot tell: target 1 to 100 %, chance 1 to 99 %, whole seeds 1 to 60, cells 1 to 1,000.";
      return;
    }
    const numbers = Array.from({ length: data.most }, (_, i) => i + 1);
    if (!numbers.includes(seeds)) numbers.push(seeds);
    const found = numbers.map((n) => at(lot, n, cells, target / 100));
    const enough = numbers.findIndex((n, i) => n <= data.most && found[i].chance >= assurance / 100);
    const here = found[numbers.indexOf(seeds)];
    get("table").tBodies[0].replaceChildren(...numbers.map((n, i) => row(n, found[i], n === seeds)));
    get("table").caption.textContent = lot.name;
    const named = lot.k === null ? lot.unit : "seeds, a mean pinch,";
    const unit = seeds === 1 ? named.replace(/^seeds/, "seed").replace(/^pinches/, "pinch") : named;
    get("said").textContent =
      `${lot.name}: ${seeds} ${unit} per cell ${seeds === 1 ? "fills" : "fill"} ${percent(here.fill)} % of ${cells} cells ` +
      `(from ${end(here.low)} to ${end(here.high)}); the chance of filling ${target} % is ${percent(here.chance)} %. ` +
      (enough < 0
        ? `${target} % with a chance of ${assurance} % is not reachable with up to ${data.most}: sow more cells.`
        : `${target} % with a chance of ${assurance} % needs ${numbers[enough]}.`);
    get("said").dataset.needed = enough < 0 ? "" : String(numbers[enough]);
    get("said").dataset.fill = here.fill;
    get("said").dataset.chance = here.chance;
  }

  function choose() {
    const lot = data.lots[get("lot").selectedIndex];
    get("seeds").value = lot.seeds;
    get("cells").value = lot.cells;
    show();
  }

  data.lots.forEach((lot) => get("lot").append(new Option(lot.name)));
  get("target").value = 100 * data.target;
  get("assurance").value = 100 * data.assurance;
  get("lot").addEventListener("change", choose);
  for (const id of ["target", "assurance", "seeds", "cells"]) get(id).addEventListener("input", show);
  get("form").hidden = false;
  choose();
})();
