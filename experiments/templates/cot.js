"use strict";
/* The page of the cot: asks the server four times a second, shows, and sends orders. */

const $ = (id) => document.getElementById(id);
const STORED = "cot-session";
const LOOK_MS = 250;
const WORDS = { automatic: "controller", hold: "holding", fallback: "fallback", manual: "you" };
const HIGH = ["spo2_low", "apnoea", "pressure_low", "controller"];

let setup = null;
let key = sessionStorage.getItem(STORED) || "";
let state = null;
let samples = [];
let asking = false;
let wanted = null; // FiO2 that was ordered and is not shown yet
let sending = Promise.resolve(); // the orders given so far
let timer = 0;

async function ask(path, message) {
  const options = message === undefined ? {} : {
    method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(message),
  };
  const answer = await fetch(path, options);
  const content = await answer.json();
  if (!answer.ok) throw Object.assign(new Error(content.error), { status: answer.status });
  return content;
}

function complain(text) {
  $("problem").textContent = text;
  $("problem").hidden = !text;
}

// One after another: two on their way at once could arrive in either order.
function order(message) {
  sending = sending.then(() => send(message));
}

async function send(message) {
  if (!state || state.over) return;
  try {
    await ask(`/api/sessions/${key}/orders`, message);
    complain("");
  } catch (error) {
    complain(error.message);
  }
  look();
}

/* ---- before the session ---- */

function option(select, value, text) {
  const made = document.createElement("option");
  made.value = value;
  made.textContent = text;
  select.append(made);
}

function fill() {
  $("title").textContent = setup.title;
  for (let place = 0; place < setup.infants; place += 1) option($("infant"), place, `number ${place}`);
  for (const name of setup.controllers) option($("controller"), name, name.replaceAll("_", " "));
  for (const minutes of [10, 30, 60, 120, 240]) option($("minutes"), minutes, `${minutes} min simulated`);
  $("minutes").value = setup.minutes.usual;
  const speeds = [...new Set([1, 5, 10, 20, 60, 120, setup.speed.usual])].sort((a, b) => a - b);
  for (const speed of speeds) {
    for (const id of ["start-speed", "speed"]) option($(id), speed, `${speed} × real time`);
  }
  $("start-speed").value = setup.speed.usual;
  $("target").textContent = `target ${setup.target.low_pct}–${setup.target.high_pct}`;
  for (const event of setup.events) option($("event"), event.name, event.words);
  describeEvent();
  for (const guard of setup.safeguards) addGuard(guard);
}

function addGuard(guard) {
  const label = document.createElement("label");
  const box = Object.assign(document.createElement("input"), { type: "checkbox", checked: true, value: guard.name });
  const words = document.createElement("span");
  words.textContent = guard.words;
  const doc = document.createElement("small");
  doc.textContent = guard.doc;
  label.append(box, words, doc);
  box.addEventListener("change", sendGuards);
  $("guard-list").append(label);
}

function guardBoxes() {
  return [...$("guard-list").querySelectorAll("input")];
}

function sendGuards() {
  order({ do: "safeguards", off: guardBoxes().filter((box) => !box.checked).map((box) => box.value) });
}

function describeEvent() {
  const event = setup.events.find((item) => item.name === $("event").value);
  $("event-doc").textContent = event.doc + (event.range ? ` (${event.range})` : "");
  $("value-label").hidden = event.default === null;
  $("value").value = event.default === null ? "" : event.default;
  $("duration").value = event.duration_s;
}

async function begin(submitted) {
  submitted.preventDefault();
  try {
    const made = await ask("/api/sessions", {
      infant: Number($("infant").value), controller: $("controller").value,
      minutes: Number($("minutes").value), speed: Number($("start-speed").value),
    });
    complain("");
    key = made.key;
    sessionStorage.setItem(STORED, key);
    samples = [];
    guardBoxes().forEach((box) => { box.checked = true; });
    enter();
  } catch (error) {
    complain(error.message);
  }
}

function enter() {
  $("start").hidden = true;
  $("session").hidden = false;
  $("result").hidden = true;
  $("running").hidden = false;
  document.querySelector(".key.truth").hidden = true;
  clearInterval(timer);
  timer = setInterval(look, LOOK_MS);
  look();
}

function leave() {
  clearInterval(timer);
  sessionStorage.removeItem(STORED);
  key = "";
  state = null;
  samples = [];
  wanted = null;
  $("session").hidden = true;
  $("start").hidden = false;
  $("infant").focus();
}

/* ---- during the session ---- */

async function look() {
  if (asking || !key) return;
  asking = true;
  try {
    const news = await ask(`/api/sessions/${key}?since=${samples.length}`);
    samples = samples.slice(0, news.since).concat(news.samples);
    if ($("problem").dataset.lost) complain("");
    delete $("problem").dataset.lost;
    const ended = news.over && !(state && state.over);
    state = news;
    show();
    if (ended) conclude();
  } catch (error) {
    if (error.status === 404) leave();
    $("problem").dataset.lost = "yes";
    complain(error.status ? error.message : "The server does not answer. Was it stopped? What the session had is kept.");
  } finally {
    asking = false;
  }
}

const dash = (value) => (value === null || value === undefined ? "--" : String(value));

function put(id, text) {
  if ($(id).textContent !== text) $(id).textContent = text;
}

function clock(seconds) {
  return `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;
}

const PLAIN = {
  fio2_by_hand: (item) => `you set FiO2 ${Math.round(100 * item.value)} %`,
  handed_over: () => "you handed over to the controller", taken_back: () => "you took back",
  made_happen: (item) => `made happen: ${item.detail}`, alarms_silenced: () => "alarms silenced",
  safeguards_off: (item) => `safeguards taken away: ${item.detail}`,
};

function worded(item) {
  const words = PLAIN[item.event] ? PLAIN[item.event](item) : `${item.event} ${item.detail}`;
  return words.replaceAll("_", " ");
}

function show() {
  const cot = state.cots.you;
  if (wanted === cot.set_fio2_pct || cot.mode !== "manual") wanted = null;
  put("spo2", dash(cot.spo2_pct));
  put("fio2", dash(cot.set_fio2_pct));
  put("delivered", dash(cot.delivered_fio2_pct));
  put("pulse", dash(cot.pulse_rate_bpm));
  put("heart", dash(cot.heart_rate_bpm));
  put("mode", cot.failed ? "nobody" : WORDS[cot.mode]);
  put("clock", `${clock(state.tick)} of ${clock(state.length_s)}`);
  put("alarms", cot.alarms.length ? `Alarm: ${cot.alarms.join(", ").replaceAll("_", " ").replaceAll("spo2", "SpO2")}` : "");
  $("alarms").className = cot.alarms.length ? `on ${cot.alarms.some((name) => HIGH.includes(name)) ? "high" : ""}` : "";
  put("hand", cot.mode === "manual" ? "Hand over to the controller" : "Take back");
  $("hand").setAttribute("aria-pressed", String(cot.mode !== "manual"));
  put("pause", state.paused ? "Go on" : "Pause");
  $("pause").setAttribute("aria-pressed", String(state.paused));
  if (document.activeElement !== $("speed")) $("speed").value = state.speed;
  put("off-count", state.safeguards_off.length ? `(${state.safeguards_off.length} taken away)` : "");
  for (const box of guardBoxes()) if (document.activeElement !== box) box.checked = !state.safeguards_off.includes(box.value);
  $("knob").hidden = $("events").hidden = $("guards").hidden = state.over;
  const lines = state.log.map((item) => `${clock(item.time_s)} ${worded(item)}`).reverse();
  const notes = cot.failed ? [`Controller failed: ${cot.failed}`] : [];
  put("log", "");
  for (const line of [...notes, ...state.notes, ...lines]) $("log").append(Object.assign(document.createElement("li"), { textContent: line }));
  draw();
}

function turn(step) {
  if (!state || state.over) return;
  const from = wanted === null ? state.cots.you.set_fio2_pct : wanted;
  const next = Math.min(setup.fio2.high_pct, Math.max(setup.fio2.low_pct, from + step));
  wanted = next;
  order({ do: "fio2", fio2_pct: next });
}

function hand() {
  wanted = null;
  order({ do: state.cots.you.mode === "manual" ? "hand_over" : "take_back" });
}

function makeHappen(submitted) {
  submitted.preventDefault();
  const message = { do: "event", event: $("event").value, duration_s: Number($("duration").value) };
  if ($("value").value !== "") message.value = Number($("value").value);
  order(message);
}

const KEYS = {
  ArrowUp: () => turn(1), ArrowDown: () => turn(-1), PageUp: () => turn(5), PageDown: () => turn(-5),
  h: hand, s: () => order({ do: "silence" }), p: () => order({ do: state.paused ? "resume" : "pause" }),
  a: () => order({ do: "event", event: "central_apnoea" }),
};

function pressed(event) {
  if (!state || state.over || event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target.matches("select, input")) return;
  const act = KEYS[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  if (!act) return;
  event.preventDefault();
  act();
}

/* ---- the chart ---- */

const SVG = "http://www.w3.org/2000/svg";

function shape(name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  for (const [attribute, value] of Object.entries(attributes)) made.setAttribute(attribute, value);
  if (text !== undefined) made.textContent = text;
  $("chart").append(made);
  return made;
}

function path(points) {
  let d = "";
  let pen = false;
  for (const [x, y] of points) {
    if (y === null) { pen = false; continue; }
    d += `${pen ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`;
    pen = true;
  }
  return d;
}

function draw() {
  const box = $("chart").getBoundingClientRect();
  const width = Math.max(300, box.width), height = Math.max(200, box.height);
  $("chart").setAttribute("viewBox", `0 0 ${width} ${height}`);
  $("chart").replaceChildren();
  const window_s = Number($("window").value);
  const last = Math.max(60, window_s ? samples.length : Math.max(samples.length, Math.min(state.length_s, 600)));
  const first = window_s ? Math.max(0, last - window_s) : 0;
  const x = (second) => 40 + (width - 50) * (second - first) / (last - first);
  const both = state.over || $("show-other").checked;
  const most = samples.slice(first).reduce((high, row) => Math.max(high, row[1], both ? row[3] : 0), 30);
  const top = Math.min(100, 20 * Math.ceil((most + 2) / 20));
  const panels = [
    { top: 18, bottom: height * 0.62, low: 60, high: 100, ticks: [60, 70, 80, 90, 100], title: "SpO2 (%)", column: 0 },
    { top: height * 0.62 + 30, bottom: height - 22, low: 20, high: top, ticks: [21, 40, 60, 80, 100].filter((tick) => tick <= top), title: "FiO2 set (%)", column: 1 },
  ];
  for (const panel of panels) panelOf(panel, x, width, first, last, both);
  timeAxis(x, first, last, height);
  const cot = state.cots.you;
  $("chart").setAttribute("aria-label", `Course until ${clock(state.tick)}: SpO2 now ${dash(cot.spo2_pct)} %, FiO2 ${dash(cot.set_fio2_pct)} %`);
}

function panelOf(panel, x, width, first, last, both) {
  const y = (value) => panel.bottom - (panel.bottom - panel.top) * (Math.max(panel.low, value) - panel.low) / (panel.high - panel.low);
  if (panel.column === 0) {
    const { low_pct: low, high_pct: high } = setup.target;
    shape("rect", { x: 40, width: width - 50, y: y(high), height: y(low) - y(high), fill: "#bfe3d4" });
  }
  for (const tick of panel.ticks) {
    shape("line", { x1: 40, x2: width - 10, y1: y(tick), y2: y(tick), stroke: "#dddddd" });
    shape("text", { x: 34, y: y(tick) + 4, "text-anchor": "end", "font-size": 12, fill: "#444" }, String(tick));
  }
  shape("text", { x: 40, y: panel.top - 6, "font-size": 12, "font-weight": 600 }, panel.title);
  const stride = Math.max(1, Math.floor((last - first) / 1500));
  const course = (column) => {
    const points = [];
    for (let k = first; k < samples.length; k += stride) points.push([x(k), samples[k][column] === null ? null : y(samples[k][column])]);
    return path(points);
  };
  if (both) shape("path", { d: course(panel.column + 2), fill: "none", stroke: "#b35900", "stroke-width": 1.6, "stroke-dasharray": "5 3" });
  if (state.truth && panel.column === 0) {
    const points = state.truth.you.map((value, k) => [x(5 * k), 5 * k < first ? null : y(value)]);
    shape("path", { d: path(points), fill: "none", stroke: "#000", "stroke-width": 1, "stroke-dasharray": "1.5 2.5" });
  }
  shape("path", { d: course(panel.column), fill: "none", stroke: "#00577f", "stroke-width": 2 });
}

function timeAxis(x, first, last, height) {
  const step = [60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400].find((size) => (last - first) / size <= 8) || 28800;
  for (let second = Math.ceil(first / step) * step; second <= last; second += step) {
    shape("text", { x: x(second), y: height - 6, "text-anchor": second === first ? "start" : second > first + 0.95 * (last - first) ? "end" : "middle", "font-size": 12, fill: "#444" }, `${second / 60} min`);
  }
}

/* ---- afterwards ---- */

function conclude() {
  $("running").hidden = true;
  $("result").hidden = false;
  document.querySelector(".key.truth").hidden = false;
  const rows = $("outcomes");
  rows.replaceChildren();
  let mine = 0, theirs = 0;
  for (const row of state.outcomes) {
    const sign = { "higher better": 1, "lower better": -1 }[row.direction] || 0;
    const known = row.you !== null && row.controller !== null;
    const gain = known ? sign * (Number(row.you.toFixed(row.decimals)) - Number(row.controller.toFixed(row.decimals))) : 0;
    mine += gain > 0;
    theirs += gain < 0;
    const line = rows.insertRow();
    const head = Object.assign(document.createElement("th"), { scope: "row", textContent: `${row.label} (${row.unit})`, title: row.definition });
    line.append(head);
    for (const [cot, better] of [["you", gain > 0], ["controller", gain < 0]]) {
      const cell = line.insertCell();
      cell.textContent = (row[cot] === null ? "not defined" : row[cot].toFixed(row.decimals)) + (better ? " ◄" : "");
      if (better) cell.className = "better";
    }
  }
  const minutes = Math.round(state.tick / 60);
  $("verdict").textContent = `After ${minutes} min (${state.end}): you did better on ${mine} lines, the controller on ${theirs}. The dotted line in the chart is the true saturation, which no monitor shows.`;
  $("kept").textContent = state.saved ? (state.saved.startsWith("not kept") ? `The session is ${state.saved}` : `The session is kept in ${state.saved}.`) : "";
  $("record").href = `/api/sessions/${key}/record.csv`;
  clearInterval(timer);
  timer = setInterval(look, 60000);
  draw();
  $("result").focus({ preventScroll: true });
}

async function main() {
  try {
    setup = await ask("/api/setup");
  } catch (error) {
    complain(`The server does not answer: ${error.message}`);
    return;
  }
  fill();
  $("start").addEventListener("submit", begin);
  $("event-form").addEventListener("submit", makeHappen);
  $("event").addEventListener("change", describeEvent);
  $("hand").addEventListener("click", hand);
  $("silence").addEventListener("click", KEYS.s);
  $("pause").addEventListener("click", KEYS.p);
  $("finish").addEventListener("click", () => order({ do: "finish" }));
  $("again").addEventListener("click", leave);
  $("speed").addEventListener("change", () => order({ do: "speed", speed: Number($("speed").value) }));
  $("window").addEventListener("change", () => state && draw());
  $("show-other").addEventListener("change", () => state && draw());
  window.addEventListener("resize", () => state && draw());
  document.addEventListener("keydown", pressed);
  for (const button of document.querySelectorAll("[data-step]")) button.addEventListener("click", () => turn(Number(button.dataset.step)));
  if (key) enter();
}

main();
