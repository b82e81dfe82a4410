// The page: takes the newest view from the socket, writes its words, draws its two pictures.
// All figures come rounded from the program; nothing is computed here but positions.

import { Sound } from "./sound.js";

const QUIET_MS = 1500; // views come every 250 ms
const SPEAK_MS = 12000;
const $ = (id) => document.getElementById(id);
const token = document.querySelector('meta[name="token"]').content;

const sound = new Sound();
let socket = null;
let view = null;
let heard = 0;
let wait = 250;
let asked = 0;
const waiting = new Map();

// ---- link to the program

function connect() {
  const here = new WebSocket(`ws://${location.host}/stream?token=${encodeURIComponent(token)}`);
  socket = here;
  here.onmessage = (event) => {
    const message = JSON.parse(event.data);
    if (message.kind === "answer") return settle(message);
    wait = 250;
    heard = performance.now();
    view = { ...view, ...message };
    show(message);
  };
  here.onclose = (event) => {
    if (socket !== here) return;
    socket = null;
    for (const [id, done] of waiting) { waiting.delete(id); done(false, "no connection to the program"); }
    if (event.code === 1013) $("alarm").dataset.why = "too many pages are open; close one";
    setTimeout(connect, wait);
    wait = Math.min(wait * 2, 2000);
  };
}

function tell(command) {
  return new Promise((resolve) => {
    if (!socket || socket.readyState !== WebSocket.OPEN) {
      say("no connection to the program");
      return resolve(false);
    }
    const id = ++asked;
    waiting.set(id, (ok, text) => { say(text); resolve(ok); });
    socket.send(JSON.stringify({ ...command, id }));
  });
}

function settle({ id, ok, text }) {
  const done = waiting.get(id);
  waiting.delete(id);
  if (done) done(ok, text);
}

let saying = 0;
function say(text) {
  $("said").textContent = text;
  clearTimeout(saying);
  saying = setTimeout(() => { $("said").textContent = ""; }, 5000);
}

// ---- words

function put(id, text) {
  const node = $(id);
  if (node.textContent !== text) node.textContent = text;
}

function big(id, text) {
  put(id, text ? text.replace("°", "") : "—");
  const line = $(id).closest(".big");
  line.classList.toggle("none", !text);
  line.classList.toggle("long", text.length > 7);
}

const STATES = {
  streaming: "board streaming", silent: "board silent", lost: "board away", connecting: "connecting",
};

function state() {
  const loading = !view && performance.now() < 4 * QUIET_MS;
  const silent = !view || performance.now() - heard > QUIET_MS;
  const link = view ? view.link : null;
  const now = loading ? "connecting" : silent ? "gone" : link.state;
  document.body.dataset.state = now;
  const still = view && ["standing", "no_spark"].includes(view.engine);
  const held = now !== "streaming" || still;
  document.body.toggleAttribute("data-held", held);
  if (now === "streaming") put("link-text", view.anything_lost ? "board streaming, with loss" : "board streaming, nothing lost");
  else put("link-text", now === "gone" ? "program away" : STATES[now]);
  const why = $("alarm").dataset.why;
  let alarm = "";
  if (now === "gone") alarm = why || "No connection to the program. Is it running, and this device on its network?";
  else if (now === "lost") alarm = "Board away: looking for it.";
  else if (now === "silent") alarm = "The board sends nothing.";
  if (alarm && view) alarm += " The figures are old.";
  $("alarm").hidden = !alarm;
  put("alarm", alarm);
}

function show(message) {
  delete $("alarm").dataset.why;
  state();
  const { timing, error, rpm, sparks, commanded, setting } = view;
  big("timing", timing ? timing.text : "");
  put("timing-side", timing ? timing.side : "");
  put("timing-within", timing ? timing.within : "");
  big("error", error ? error.text : "");
  put("error-within", error ? error.within : "");
  $("error-value").className = `value ${error ? (error.agrees ? "good" : "off") : ""}`;
  put("error-word", error ? `${error.word}${error.agrees ? "" : ` against ${commanded.text}`}`
    : view.engine === "settling" ? "measuring afresh"
    : commanded ? `commanded ${commanded.text}` : "enter the commanded value to see the error");
  interval(error);
  where(view.where, view.cylinders);
  for (const name of ["start", "rotor"]) {
    $(`${name}-box`).hidden = !view[name];
    rows(name, view[name] || [], (one) => cells(...one));
  }
  put("rpm", rpm ? rpm.text : "—");
  put("rpm-within", rpm ? rpm.within : "");
  put("sparks", sparks ? sparks.text : "—");
  put("sparks-detail", sparks ? sparks.detail : "");
  $("next-box").hidden = !view.next;
  put("next", view.next ? view.next.text : "");
  put("next-detail", view.next ? [view.next.detail, view.next.note].filter(Boolean).join("; ") : "");
  rows("notes", view.notes, (text) => [["li", text]]);
  put("commanded", commanded ? `${commanded.value}°`.replace("-", "−") : "—");
  put("setting", setting ? setting.text : "—");
  put("mark-count", String(view.marks.length ? view.marks.at(-1).number : 0));
  put("lamp", view.lamp.text);
  put("lost", view.lost);
  $("lost").classList.toggle("off", view.anything_lost);
  put("left-out", view.left_out);
  put("scatter", timing ? timing.scatter.replace("scatter ", "") : "—");
  put("burst", view.burst || "single sparks or none");
  put("supply", view.supply || "not measured");
  put("recording", view.recording || "none");
  $("trials-box").hidden = !view.trials.length;
  rows("trials", view.trials, (one) => cells(one.setting, `${one.error} ${one.within}`, one.rpm));
  $("marks-box").hidden = !view.marks.length;
  rows("marks", view.marks, (one) => cells(one.number, one.rpm, one.timing, one.error, one.sparks));
  sound.hear(view, document.body.hasAttribute("data-held"));
  if (message.raster) raster(view.raster);
  if (message.trend) trend(view.trend, commanded);
  if (message.trend) cycle(view.cycle);
  speak();
}

// Controller and module, and each cylinder, where they are told apart.
function where(parts, each) {
  $("where-box").hidden = !parts;
  for (const node of document.querySelectorAll(".tapped")) node.hidden = !parts;
  if (parts) {
    const asks = parts.controller;
    put("asks", asks ? asks.text : "—");
    $("asks").classList.toggle("off", Boolean(asks) && !asks.agrees);
    put("asks-detail", asks ? `${asks.within}; ${asks.word}` : "enter the commanded value");
    put("answers", parts.module.text);
    put("answers-detail", `${parts.module.within}; ${parts.module.word}`);
    put("causes", parts.causes);
    put("dwell", parts.dwell || "only one flank is stamped");
  }
  $("each-box").hidden = !each;
  if (!each) return;
  headings("each-heads", each.heads);
  rows("each", each.rows, (one) => cells(...one));
  rows("each-words", each.words, (text) => [["li", text]]);
}

function headings(id, heads) {
  const key = heads.join();
  if (written.get(id) === key) return;
  written.set(id, key);
  $(id).replaceChildren(...heads.map((text) => {
    const node = document.createElement("th");
    node.scope = "col";
    node.textContent = text;
    return node;
  }));
}

const cells = (...texts) => texts.map((text) => ["td", String(text || "—")]);

const written = new Map();
function rows(id, list, make) {
  const key = JSON.stringify(list);
  if (written.get(id) === key) return;
  written.set(id, key);
  const parent = $(id);
  parent.replaceChildren(...list.map((one) => {
    const parts = make(one).map(([tag, text]) => {
      const node = document.createElement(tag);
      node.textContent = text;
      return node;
    });
    if (parent.tagName === "UL") return parts[0];
    const row = document.createElement("tr");
    row.append(...parts);
    return row;
  }));
}

// What a screen reader says: seldom, coarse, and only when it differs.
let spoken = -SPEAK_MS;
function speak() {
  const now = performance.now();
  if (now - spoken < SPEAK_MS) return;
  const { timing, error, rpm } = view;
  const parts = [];
  if (document.body.hasAttribute("data-held")) parts.push(view.notes[0] || "figures are held");
  if (timing) parts.push(`true timing ${Math.abs(timing.value).toFixed(1)} degrees ${timing.side === "BTDC" ? "before" : "after"} top dead centre`);
  if (error) parts.push(error.agrees ? "error none, within the uncertainty" : `error ${Math.abs(error.value).toFixed(1)} degrees ${error.word}`);
  if (rpm) parts.push(`${Math.round(rpm.value / 50) * 50} rpm`);
  const text = parts.join("; ");
  if (text && text !== $("spoken").textContent) {
    put("spoken", text);
    spoken = now;
  }
}

// ---- pictures

function surface(id) {
  const canvas = $(id);
  const height = Number(canvas.getAttribute("data-height") || canvas.getAttribute("height"));
  canvas.dataset.height = height;
  const width = canvas.clientWidth;
  const scale = Math.min(window.devicePixelRatio || 1, 3);
  if (canvas.width !== Math.round(width * scale) || canvas.height !== Math.round(height * scale)) {
    canvas.width = Math.round(width * scale);
    canvas.height = Math.round(height * scale);
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(scale, 0, 0, scale, 0, 0);
  pen.clearRect(0, 0, width, height);
  const style = getComputedStyle(document.documentElement);
  const colour = (name) => style.getPropertyValue(`--${name}`).trim();
  pen.font = `13px ${getComputedStyle(document.body).fontFamily}`;
  pen.lineWidth = 1;
  return { canvas, pen, width, height, colour };
}

function nice(span, count) {
  const rough = span / count;
  const power = 10 ** Math.floor(Math.log10(rough));
  return [1, 2, 5, 10].map((one) => one * power).find((one) => one >= rough);
}

function line(pen, colour, x1, y1, x2, y2, dash = []) {
  pen.strokeStyle = colour;
  pen.setLineDash(dash);
  pen.beginPath();
  pen.moveTo(x1, y1);
  pen.lineTo(x2, y2);
  pen.stroke();
  pen.setLineDash([]);
}

function empty(pen, colour, width, height, text) {
  pen.fillStyle = colour("quiet");
  pen.textAlign = "center";
  pen.fillText(text, width / 2, height / 2);
}

// The error's interval on a ruled line, with zero marked.
function interval(error) {
  const { canvas, pen, width, height, colour } = surface("interval");
  const y = height - 20;
  line(pen, colour("rule"), 0, y, width, y);
  const reach = error ? [1, 2, 5, 10, 20, 50, 100, 360].find((one) => one >= 1.15 * (Math.abs(error.value) + error.u)) || 360 : 10;
  const at = (value) => width / 2 + (value / reach) * (width / 2 - 12);
  if (error) {
    const held = document.body.hasAttribute("data-held");
    pen.fillStyle = colour(held ? "quiet" : error.agrees ? "good" : "off");
    const left = at(error.value - error.u), right = at(error.value + error.u);
    pen.fillRect(left - 1.5, y - 6, Math.max(right - left, 0) + 3, 12);
  }
  pen.fillStyle = colour("quiet");
  for (const [value, align, text] of [[-reach, "left", `−${reach}°`], [0, "center", "0"], [reach, "right", `+${reach}°`]]) {
    line(pen, colour(value ? "quiet" : "ink"), at(value), y - (value ? 4 : 10), at(value), y + (value ? 4 : 7));
    pen.textAlign = align;
    pen.fillText(text, value ? (value < 0 ? 0 : width) : at(value), y + 19);
  }
  if (!error) { canvas.setAttribute("aria-label", "No error yet"); return; }
  canvas.setAttribute("aria-label", error.agrees ? "The interval covers zero" : "The interval lies off zero");
}

function raster(events) {
  const { canvas, pen, width, height, colour } = surface("raster");
  const bottom = height - 22, left = 4;
  const farthest = Math.max(5, ...events.map((one) => one.at(-1)));
  const step = nice(farthest, 5);
  const end = Math.ceil(farthest / step + 0.2) * step;
  const at = (degrees) => left + (degrees / end) * (width - left - 16);
  pen.fillStyle = colour("quiet");
  for (let value = 0; value <= end + 1e-9; value += step) {
    line(pen, colour("rule"), at(value), 0, at(value), bottom + 4);
    pen.textAlign = value ? "center" : "left";
    pen.fillText(value ? `${+value.toFixed(2)}°` : "first", at(value) - (value ? 0 : left), height - 4);
  }
  if (!events.length) empty(pen, colour, width, bottom, "no events yet");
  const high = bottom / 40;
  pen.fillStyle = colour("ink");
  events.forEach((sparks, row) => {
    const y = bottom - (events.length - row) * high;
    for (const degrees of sparks) pen.fillRect(at(degrees) - 1.5, y + 1, 3, high - 2);
  });
  const counts = events.map((one) => one.length);
  canvas.setAttribute("aria-label", events.length
    ? `The newest ${events.length} events: from ${Math.min(...counts)} to ${Math.max(...counts)} sparks, the last up to ${Math.max(...events.map((one) => one.at(-1))).toFixed(0)} degrees after the first`
    : "No events yet");
  canvas.dataset.drawn = events.length;
}

// Crank angle along, cylinders down; a mark n degrees before its dead centre stands n to the left.
function cycle(picture) {
  $("cycle-box").hidden = !picture;
  if (!picture) return;
  const lines = picture.lines, alone = lines.length === 1;
  const canvas = $("cycle");
  canvas.dataset.height = 34 + 26 * lines.length + (alone ? 30 : 0);
  const { pen, width, height, colour } = surface("cycle");
  canvas.style.height = `${height}px`;
  const left = alone ? 4 : 62, bottom = height - 22;
  const places = lines.flatMap((one) => [0, one.on_deg_btdc, one.trigger_deg_btdc, one.ends_deg_btdc, picture.commanded_deg_btdc, ...one.sparks_deg_btdc]
    .filter((value) => value !== null).map((value) => one.after_deg - value));
  const from = Math.min(...places) - 6, to = Math.max(...places) + 8;
  const at = (degrees) => left + ((degrees - from) / (to - from)) * (width - left - 10);
  const step = nice(to - from, Math.max(3, Math.min(8, width / 90)));
  for (let value = Math.ceil(from / step) * step; value <= to; value += step) {
    line(pen, colour("rule"), at(value), 0, at(value), bottom);
    pen.fillStyle = colour("quiet");
    pen.textAlign = "center";
    pen.fillText(`${value}°`.replace("-", "−"), at(value), height - 5);
  }
  const high = bottom / lines.length;
  lines.forEach((one, row) => {
    const y = row * high + high / 2, tdc = one.after_deg, half = Math.min(high / 2 - 2, 14);
    pen.fillStyle = colour(one.differs.length ? "off" : "ink");
    pen.textAlign = "left";
    if (one.name) pen.fillText(one.name, 0, y + 4.5);
    line(pen, colour("quiet"), at(tdc), y - half, at(tdc), y + half);
    if (one.on_deg_btdc !== null) {
      pen.fillStyle = colour("band");
      pen.fillRect(at(tdc - one.on_deg_btdc), y - half / 2, at(tdc - one.trigger_deg_btdc) - at(tdc - one.on_deg_btdc), half);
    }
    if (one.trigger_deg_btdc !== null) {
      pen.lineWidth = 2;
      line(pen, colour("quiet"), at(tdc - one.trigger_deg_btdc), y - half, at(tdc - one.trigger_deg_btdc), y + half / 2);
      pen.lineWidth = 1;
    }
    if (picture.commanded_deg_btdc !== null) {
      const x = at(tdc - picture.commanded_deg_btdc);
      line(pen, colour("good"), x, y - half, x, y + half, [4, 3]);
    }
    pen.fillStyle = colour("ink");
    for (const angle of one.sparks_deg_btdc) pen.fillRect(at(tdc - angle) - 1, y, 2, half);
    if (one.ends_deg_btdc !== null && one.sparks_deg_btdc.length) {
      line(pen, colour("ink"), at(tdc - one.sparks_deg_btdc[0]), y + half / 2, at(tdc - one.ends_deg_btdc), y + half / 2);
    }
  });
  canvas.setAttribute("aria-label", lines.map((one) => `${one.name ? `cylinder ${one.name}` : "all"}: spark ${mean(one.sparks_deg_btdc)}${one.trigger_deg_btdc === null ? "" : `, trigger ${one.trigger_deg_btdc.toFixed(1)}`} degrees before top dead centre`).join("; "));
  canvas.dataset.drawn = lines.length;
}

const mean = (values) => values.length ? (values.reduce((sum, one) => sum + one, 0) / values.length).toFixed(1) : "none at";

function trend(seconds, commanded) {
  const { canvas, pen, width, height, colour } = surface("trend");
  canvas.dataset.drawn = seconds.length;
  if (!seconds.length) {
    canvas.setAttribute("aria-label", "No trend yet");
    empty(pen, colour, width, height, "no timing yet");
    return;
  }
  const right = width - 46, split = height - 96, bottom = height - 24;
  const span = [30, 60, 120, 180].find((one) => one >= -seconds[0][0]) || 180;
  const at = (second) => right + (second / span) * right;
  const wide = seconds.flatMap((one) => [one[2], one[3]]);
  if (commanded) wide.push(commanded.value);
  const timing = scale(Math.min(...wide), Math.max(...wide), 2, 12, split - 12);
  const rpms = seconds.map((one) => one[4]);
  const speed = scale(Math.min(...rpms), Math.max(...rpms), 100, split + 18, bottom - 6);
  for (const [axis, unit] of [[timing, "°"], [speed, ""]]) {
    for (let value = axis.first; value <= axis.last + 1e-9; value += axis.step) {
      const y = axis.at(value);
      line(pen, colour("rule"), 0, y, right, y);
      pen.fillStyle = colour("quiet");
      pen.textAlign = "left";
      pen.fillText(`${+value.toFixed(2)}${unit}`.replace("-", "−"), right + 6, y + 4.5);
    }
  }
  pen.fillStyle = colour("quiet");
  pen.fillText(`${span} s ago`, 0, height - 5);
  pen.textAlign = "right";
  pen.fillText("now", right, height - 5);
  pen.textAlign = "left";
  pen.fillText("rpm", 0, split + 12);
  if (commanded) {
    const y = timing.at(commanded.value);
    line(pen, colour("good"), 0, y, right, y, [6, 4]);
    pen.fillStyle = colour("good");
    pen.fillText("commanded", 0, y > 24 ? y - 5 : y + 15);
  }
  const each = Math.max(right / span, 1.5);
  pen.fillStyle = colour("band");
  for (const [second, , low, high] of seconds) {
    pen.fillRect(at(second) - each, timing.at(high), each + 0.5, Math.max(timing.at(low) - timing.at(high), 1));
  }
  curve(pen, colour("ink"), seconds.map((one) => [at(one[0]) - each / 2, timing.at(one[1]), one[0]]));
  curve(pen, colour("ink"), seconds.map((one) => [at(one[0]) - each / 2, speed.at(one[4]), one[0]]));
  const last = seconds.at(-1);
  canvas.setAttribute("aria-label", `${seconds.length} s of timing: now ${last[1].toFixed(1)} degrees before top dead centre, from ${Math.min(...wide).toFixed(1)} to ${Math.max(...wide).toFixed(1)}; speed now ${last[4]} rpm`);
}

function scale(low, high, least, top, bottom) {
  const middle = (low + high) / 2, half = Math.max(high - low, least) / 2;
  low = middle - half;
  high = middle + half;
  const step = nice(high - low, bottom - top > 90 ? 4 : 3);
  return {
    step, first: Math.ceil(low / step - 1e-9) * step, last: Math.floor(high / step + 1e-9) * step,
    at: (value) => bottom - ((value - low) / (high - low)) * (bottom - top),
  };
}

function curve(pen, colour, points) {
  pen.strokeStyle = colour;
  pen.lineWidth = 2;
  pen.lineJoin = "round";
  pen.beginPath();
  points.forEach(([x, y, second], k) => {
    // A second without events is a gap, not a line.
    if (k && second - points[k - 1][2] <= 2) pen.lineTo(x, y);
    else { pen.moveTo(x - 1, y); pen.lineTo(x, y); }
  });
  pen.stroke();
  pen.lineWidth = 1;
}

function redraw() {
  if (!view) return;
  interval(view.error);
  if (view.raster) raster(view.raster);
  if (view.trend) trend(view.trend, view.commanded);
}

// ---- commands

function number(text) {
  const cleaned = text.trim().replace(",", ".").replace("−", "-");
  return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(cleaned) ? Number(cleaned) : NaN;
}

let step = 1;
let after = null;
function askNumber({ title, text, value, by, verb, then }) {
  put("ask-title", title);
  put("ask-text", text);
  put("ask-do", verb);
  put("ask-fault", "");
  $("value").value = String(value);
  step = by;
  after = then;
  $("ask-number").showModal();
  $("value").select();
}

function nudge(by) {
  const now = number($("value").value);
  const next = Number.isNaN(now) ? 0 : Math.round((now + by) * 1e6) / 1e6;
  $("value").value = String(next);
}

$("less").onclick = () => nudge(-step);
$("more").onclick = () => nudge(step);
$("ask-number").querySelector("form").onsubmit = (event) => {
  event.preventDefault();
  const value = number($("value").value);
  if (Number.isNaN(value)) {
    put("ask-fault", "Type a number such as 20 or 7.5.");
    $("value").focus();
    return;
  }
  $("ask-number").close();
  after(value);
};
for (const button of document.querySelectorAll(".cancel")) {
  button.onclick = () => button.closest("dialog").close();
}

$("do-commanded").onclick = () => askNumber({
  title: "Commanded timing",
  text: "Degrees BTDC at which the controller is locked; ATDC is negative.",
  value: view?.commanded ? view.commanded.value : 10, by: 1, verb: "It is locked there",
  then: (value) => tell({ do: "commanded", value }),
});
$("do-setting").onclick = () => askNumber({
  title: "Next setting",
  text: view?.next
    ? `Enter ${view.next.value} in the controller, ignition off and on, then say so here: a new trial begins.`
    : "The controller's reference offset as entered now: a new trial begins.",
  value: view?.next ? view.next.value : view?.setting ? view.setting.value : 0,
  by: view?.setting ? view.setting.step : 1, verb: "It is entered",
  then: (value) => tell({ do: "setting", value }),
});
$("do-mark").onclick = () => tell({ do: "mark" });
$("do-lamp").onclick = () => $("ask-lamp").showModal();
const lamp = (mode, btdc = 0) => { $("ask-lamp").close(); return tell({ do: "lamp", mode, btdc }); };
$("lamp-off").onclick = () => lamp("off");
$("lamp-first").onclick = () => lamp("first_spark");
$("lamp-angle").onclick = () => {
  $("ask-lamp").close();
  askNumber({
    title: "Lamp at an angle", text: "Degrees BTDC of the flash; 0 is top dead centre.",
    value: 0, by: 1, verb: "Flash there", then: (value) => lamp("angle", value),
  });
};
$("save").href = `points.csv?token=${encodeURIComponent(token)}`;

// ---- light and dark

const SHADES = ["auto", "light", "dark"];
function shade(name) {
  if (name === "auto") delete document.documentElement.dataset.shade;
  else document.documentElement.dataset.shade = name;
  put("shade", `◐ ${name}`);
  $("shade").dataset.name = name;
  $("shade").setAttribute("aria-label", `Light or dark: ${name}`);
  redraw();
}
function remembered() {
  try { return localStorage.getItem("shade") || "auto"; } catch { return "auto"; }
}
$("shade").onclick = () => {
  const next = SHADES[(SHADES.indexOf($("shade").dataset.name) + 1) % SHADES.length];
  try { localStorage.setItem("shade", next); } catch { /* private mode: not kept */ }
  shade(next);
};
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
new ResizeObserver(redraw).observe(document.body);

$("sound").onclick = () => {
  put("sound", `sound: ${sound.next()}`);
};

// ---- room and light

const buttons = document.querySelector("nav");
function room() {
  document.documentElement.style.setProperty("--nav", `${buttons.offsetHeight}px`);
  const along = buttons.offsetWidth > innerWidth / 2;
  document.body.toggleAttribute("data-tall", along && buttons.firstElementChild.offsetHeight > 0.3 * innerHeight);
}
new ResizeObserver(room).observe(buttons.firstElementChild);
addEventListener("resize", room);

// A phone on the fender should stay awake. Browsers offer that only over https or on this machine.
async function stayAwake() {
  try {
    await navigator.wakeLock.request("screen");
    $("awake").hidden = true;
  } catch { $("awake").hidden = false; }
}
document.addEventListener("visibilitychange", () => { if (!document.hidden) stayAwake(); });

shade(remembered());
stayAwake();
connect();
setInterval(state, 250);
