"use strict";
(() => {
  const $ = (id) => document.getElementById(id);
  const SVG = "http://www.w3.org/2000/svg";
  const data = JSON.parse($("data").textContent);
  const LOOKS = {
    main: { stroke: "#0072b2", "stroke-width": 2.2 },
    true: { stroke: "#222222", "stroke-width": 1.4, "stroke-dasharray": "1.5 2.5" },
    other: { stroke: "#e69f00", "stroke-width": 1.8, "stroke-dasharray": "6 3" },
    limit: { stroke: "#6a6a6a", "stroke-width": 1.2, "stroke-dasharray": "7 3" },
    kept: { stroke: "#c77cae", "stroke-width": 1.8 },
  };
  let kept = "";

  function add(parent, name, attributes, text) {
    const made = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (text !== undefined) made.textContent = text;
    parent.append(made);
    return made;
  }

  function chosen() {
    return [...document.querySelectorAll("fieldset[data-control]")].map((set) => {
      const slider = set.querySelector("input[type=range]");
      return slider ? slider.dataset.values.split("|")[slider.value] : set.querySelector("input:checked").value;
    }).join("|");
  }

  function curve(values, x, y) {
    let d = "", pen = false;
    values.forEach((value, k) => {
      if (value === null) { pen = false; return; }
      d += `${pen ? "L" : "M"}${x(data.x[k]).toFixed(1)} ${y(value).toFixed(1)}`;
      pen = true;
    });
    return d;
  }

  function panel(chart, place, box, variant, x) {
    const spec = data.panels[place];
    const y = (value) => box.bottom - (box.bottom - box.top) * (Math.min(spec.high, Math.max(spec.low, value)) - spec.low) / (spec.high - spec.low);
    if (spec.band) add(chart, "rect", { x: box.left, width: box.right - box.left, y: y(spec.band[1]), height: y(spec.band[0]) - y(spec.band[1]), fill: "#bfe3d4" });
    for (const [start, end] of variant.marks) {
      add(chart, "rect", { x: x(start), width: Math.max(1.5, x(end) - x(start)), y: box.top, height: box.bottom - box.top, fill: "#000", opacity: 0.1 });
    }
    for (const tick of spec.ticks) {
      add(chart, "line", { x1: box.left, x2: box.right, y1: y(tick), y2: y(tick), stroke: "#dddddd" });
      add(chart, "text", { x: box.left - 6, y: y(tick) + 4, "text-anchor": "end", "font-size": 13, fill: "#444" }, String(tick));
    }
    add(chart, "text", { x: box.left, y: box.top - 7, "font-size": 13.5, "font-weight": 600, fill: "#222" }, spec.title);
    if (kept) lines(chart, data.variants[kept].lines.filter((line) => line[2] === "main"), place, x, y, "kept");
    lines(chart, variant.lines, place, x, y, "");
    if (place === 0) names(chart, variant.marks, box, x);
  }

  function names(chart, marks, box, x) {
    let row = 0, before = -1e9;
    marks.forEach(([start, , label]) => {
      row = x(start) - before < 0.22 * box.right ? row + 1 : 0;
      before = x(start);
      const late = x(start) > 0.7 * box.right;
      add(chart, "text", { x: x(start) + (late ? -4 : 3), y: box.bottom - 6 - 16 * row, "font-size": 12.5, fill: "#222", "text-anchor": late ? "end" : "start" }, label);
    });
  }

  function lines(chart, drawn, place, x, y, look) {
    for (const [where, , own, values] of drawn) {
      if (where === place) add(chart, "path", { d: curve(data.pool[values], x, y), fill: "none", "stroke-linejoin": "round", ...LOOKS[look || own] });
    }
  }

  function draw(key) {
    const chart = $("chart"), variant = data.variants[key];
    const width = Math.max(320, Math.min(990, document.querySelector("main").clientWidth));
    const unit = width < 600 ? 130 : 170;
    const heights = data.panels.map((item) => unit * item.share + 30);
    const height = heights.reduce((sum, item) => sum + item, 0) + 42;
    chart.setAttribute("viewBox", `0 0 ${width} ${height}`);
    chart.replaceChildren();
    const left = 42, right = width - 14;
    const first = data.x[0], last = data.x[data.x.length - 1];
    const x = (value) => left + (right - left) * (value - first) / (last - first);
    let top = 26;
    data.panels.forEach((_, place) => {
      panel(chart, place, { left, right, top, bottom: top + heights[place] - 30 }, variant, x);
      top += heights[place];
    });
    const every = width < 600 && data.xTicks.length > 6 ? 2 : 1;
    data.xTicks.forEach((tick, k) => {
      if (k % every === 0) add(chart, "text", { x: x(tick), y: top - 10, "text-anchor": "middle", "font-size": 13, fill: "#444" }, String(tick));
    });
    add(chart, "text", { x: (left + right) / 2, y: top + 9, "text-anchor": "middle", "font-size": 13, fill: "#222" }, data.xTitle);
    chart.setAttribute("aria-label", `${data.title}. ${variant.says}`);
    legend(variant);
  }

  function legend(variant) {
    const shown = new Map();
    for (const [, label, look] of variant.lines) shown.set(look === "main" && shown.has("main") ? "main" : look, shown.has(look) ? `${shown.get(look)}, ${label}` : label);
    if (kept) shown.set("kept", "kept from before");
    $("keys").replaceChildren();
    const band = data.panels.find((item) => item.band)?.band;
    if (band) {
      const item = document.createElement("span");
      add(add(item, "svg", { viewBox: "0 0 32 10", "aria-hidden": "true" }), "rect", { width: 32, height: 10, fill: "#bfe3d4" });
      item.append(`target ${band[0]} to ${band[1]} %`);
      $("keys").append(item);
    }
    for (const [look, label] of shown) {
      const item = document.createElement("span");
      const sample = add(item, "svg", { viewBox: "0 0 32 10", "aria-hidden": "true" });
      add(sample, "line", { x1: 0, x2: 32, y1: 5, y2: 5, ...LOOKS[look] });
      item.append(label);
      $("keys").append(item);
    }
  }

  function show() {
    const key = chosen();
    for (const slider of document.querySelectorAll("#controls input[type=range]")) {
      const label = slider.dataset.labels.split("|")[slider.value];
      slider.nextElementSibling.textContent = label;
      slider.setAttribute("aria-valuetext", label);
    }
    draw(key);
    $("says").textContent = data.variants[key].says;
    $("facts").replaceChildren();
    for (const row of document.querySelectorAll("tr[data-key]")) {
      const current = row.dataset.key === key;
      row.setAttribute("aria-current", String(current));
      if (current) for (const cell of row.querySelectorAll("td.fact")) fact(cell.dataset.label, cell.textContent);
    }
  }

  function fact(name, value) {
    const box = document.createElement("div");
    box.append(Object.assign(document.createElement("dt"), { textContent: name }), Object.assign(document.createElement("dd"), { textContent: value }));
    $("facts").append(box);
  }

  function keep() {
    kept = kept ? "" : chosen();
    $("keep").setAttribute("aria-pressed", String(Boolean(kept)));
    $("keep").textContent = kept ? "Remove the course kept behind" : "Keep this course behind the next ones";
    show();
  }

  function reset() {
    if (kept) keep();
    $("controls").reset();
    show();
  }

  $("live").hidden = false;
  $("still").hidden = true;
  $("numbers").open = false;
  $("controls").addEventListener("input", show);
  $("controls").addEventListener("submit", (event) => event.preventDefault());
  $("reset").addEventListener("click", reset);
  $("keep").addEventListener("click", keep);
  window.addEventListener("resize", show);
  window.addEventListener("beforeprint", () => { $("numbers").open = true; });
  show();
})();
