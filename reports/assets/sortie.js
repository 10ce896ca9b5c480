// A sortie's picture: linked time histories over lanes of configuration, points to open, a ground track beside it.
import { element, readyForms, send } from "./forms.js";
import { groundTrack } from "./ground.js";
import { place, samplesOf } from "./samples.js";

const picture = JSON.parse(document.getElementById("picture").textContent);
const home = "/sortie/" + encodeURIComponent(picture.sortie);
const box = document.getElementById("charts"), host = document.getElementById("panels"), detail = document.getElementById("detail");
const check = (id) => document.getElementById(id).checked;
// Colours are asked of the style sheet once a theme: asking while the page is being changed makes it be laid out each time.
let inks = {};
const css = (name) => (inks[name] ??= getComputedStyle(document.documentElement).getPropertyValue(name).trim());
const INKS = ["--c1", "--c2", "--c3", "--c4", "--c5", "--c6", "--c7", "--c8"], DASHES = [undefined, [7, 3], [2, 3], [9, 3, 2, 3]];
const LEFT = 64, RIGHT = 12, LEAST = 4, OVERVIEW = 700, KEY = "trimshot.channels";
const full = [0, Math.max(picture.length, LEAST)];
let range = full.slice(), charts = [], overview = null, shown = null, deepened = null, timer = 0, current = -1, selecting = false;
const lanes = [{ name: "events", runs: picture.events.map((e) => ({ start: e.time, stop: e.stop, value: e.label, tone: "tick", note: e.note })) }, ...picture.lanes];

// -- times ---------------------------------------------------------------------------------------------------
const two = (value) => String(value).padStart(2, "0");
function clock(seconds, digits) {
  const at = new Date((picture.start + seconds) * 1000);
  let text = two(at.getUTCHours()) + ":" + two(at.getUTCMinutes());
  if (digits > 0) text += ":" + two(at.getUTCSeconds());
  if (digits > 1) text += "." + Math.floor(at.getUTCMilliseconds() / 100);
  return text;
}
const stamp = (seconds) => new Date((picture.start + seconds) * 1000).toISOString();
const duration = (s) => (s >= 600 ? (s / 60).toFixed(0) + " min" : s >= 60 ? (s / 60).toFixed(1) + " min" : s.toFixed(0) + " s");

// -- which channels, remembered in this browser --------------------------------------------------------------
function chosen() {
  let names = null;
  try { names = JSON.parse(localStorage.getItem(KEY)); } catch { /* none are remembered */ }
  const there = picture.channels.filter((c) => (Array.isArray(names) ? names.includes(c.name) : c.first));
  return there.length ? there : picture.channels.slice(0, 3);
}
function panels() {
  const out = new Map();
  chosen().forEach((c) => { if (!out.has(c.panel)) out.set(c.panel, []); out.get(c.panel).push(c); });
  return [...out].map(([title, series]) => ({ title, series, unit: series[0].unit, digits: Math.max(...series.map((c) => c.digits)) }));
}
function buildChooser() {
  const chooser = document.getElementById("chooser"), button = document.getElementById("channels-open"), on = new Set(chosen().map((c) => c.name));
  const families = new Map();
  picture.channels.forEach((c) => { if (!families.has(c.family)) families.set(c.family, element("fieldset")); const set = families.get(c.family);
    if (!set.children.length) set.append(element("legend", c.family));
    const label = element("label", null, { title: c.what }), tick = element("input", null, { type: "checkbox", value: c.name });
    tick.checked = on.has(c.name); label.append(tick, " " + c.label + (c.unit ? " [" + c.unit + "]" : "")); set.append(label); });
  chooser.append(...families.values());
  const first = element("button", "As at first", { type: "button" });
  chooser.append(first);
  chooser.addEventListener("change", () => { keep([...chooser.querySelectorAll("input:checked")].map((one) => one.value)); rebuild(); });
  first.addEventListener("click", () => { keep(null); chooser.querySelectorAll("input").forEach((one) => { one.checked = picture.channels.some((c) => c.first && c.name === one.value); }); rebuild(); });
  button.addEventListener("click", () => { chooser.hidden = !chooser.hidden; button.setAttribute("aria-expanded", String(!chooser.hidden)); });
}
function keep(names) { try { names ? localStorage.setItem(KEY, JSON.stringify(names)) : localStorage.removeItem(KEY); } catch { /* a private window forgets */ } }

// -- samples: the whole once, a finer window after every zoom ------------------------------------------------
const samples = samplesOf(home);
const detailOf = () => Math.min(2000, Math.max(300, Math.round(host.clientWidth * 0.5))); // buckets that a window deserves
// Only what is on the screen is drawn at once; the other panels follow when they are scrolled to.
function isNear(chart) {
  const at = chart.root.getBoundingClientRect();
  return at.bottom > -150 && at.top < innerHeight + 150;
}
function refresh(chart) {
  if (shown && chart.drawn !== shown) { chart.setData([shown.t, ...chart.names.map((name) => shown.channels[name])], false); chart.drawn = shown; }
  chart.setScale("x", { min: range[0], max: range[1] });
  chart.stale = false;
}
function drawNear() { charts.forEach((chart) => { if (isNear(chart)) refresh(chart); else chart.stale = true; }); }
let scrolling = false;
addEventListener("scroll", () => { if (!scrolling) { scrolling = true; requestAnimationFrame(() => { scrolling = false; charts.forEach((chart) => { if (chart.stale && isNear(chart)) refresh(chart); }); }); } }, { passive: true });
addEventListener("beforeprint", () => charts.forEach(refresh));
function put(data) {
  shown = data;
  drawNear();
  box.dataset.window = range.map((v) => v.toFixed(2)).join(" ");
  clearTimeout(telling);
  telling = setTimeout(tell, 600);
}
// The pictures in words, once one has come to rest: what each curve goes through in the window shown.
let telling = 0;
function tell() {
  tellLanes();
  const first = place(shown.t, range[0]), last = place(shown.t, range[1]);
  charts.forEach((chart) => {
    const curves = chart.panel.series.map((c) => {
      const known = (shown.channels[c.name] || []).slice(first, last).filter((v) => v != null);
      return c.label + (known.length ? " " + known.reduce((a, b) => Math.min(a, b)).toFixed(chart.panel.digits) + " to " + known.reduce((a, b) => Math.max(a, b)).toFixed(chart.panel.digits) : " without samples");
    });
    chart.root.setAttribute("aria-hidden", "true"); // the legend's numbers belong to a pointer
    chart.spot.setAttribute("aria-label", chart.title + ", " + clock(range[0], 1) + " to " + clock(range[1], 1) + ": " + curves.join("; "));
  });
}
const around = (span) => [span[0] - 0.25 * (span[1] - span[0]), span[1] + 0.25 * (span[1] - span[0])];
// What is held and fine enough for the window, without asking the server.
function held() {
  if (range[0] <= full[0] && range[1] >= full[1]) return overview;
  return samples.held(around(range), detailOf());
}
// What a lane shows of the window: the runs in their order.
function tellLanes() {
  document.querySelectorAll(".lane").forEach((bar) => {
    const lane = lanes[Number(bar.dataset.lane)], some = lane.runs.filter((run) => run.stop > range[0] && run.start < range[1]);
    const words = some.slice(0, 12).map((run) => run.value + " " + clock(Math.max(run.start, range[0]), 1) + (run.stop - run.start > 1 && run.tone !== "tick" ? " to " + clock(Math.min(run.stop, range[1]), 1) : ""));
    bar.setAttribute("aria-label", lane.name + " against UTC: " + (words.join(", ") || "none in view") + (some.length > 12 ? ", and " + (some.length - 12) + " more" : ""));
  });
}
async function refine() {
  lastAsked = performance.now();
  const asked = range.slice();
  try {
    const data = await samples.window(around(asked), detailOf());
    if (asked[0] === range[0] && asked[1] === range[1]) put(data);
  } catch (error) { if (error.name !== "AbortError") say(error.message); }
}
// The server is asked before anything is drawn, so that both work at once; while a wheel turns, not more often than this.
const PAUSE_MS = 60;
let lastAsked = -Infinity;
function bring() {
  clearTimeout(timer);
  const there = held();
  if (there) { samples.leave(); put(there); return; }
  const wait = lastAsked + PAUSE_MS - performance.now();
  if (wait <= 0) refine(); else timer = setTimeout(refine, wait);
  drawNear();
}
function setRange(min, max) {
  if (!Number.isFinite(min) || !Number.isFinite(max) || max < min) [min, max] = full;
  const beyond = Math.max(0, full[0] - max + LEAST, 0) - Math.max(0, min - full[1] + LEAST); // a window past an end is moved inside
  min += beyond; max += beyond;
  if (max - min < LEAST) { const middle = (min + max) / 2; min = middle - LEAST / 2; max = middle + LEAST / 2; }
  range = [Math.max(min, full[0]), Math.min(max, full[1])];
  bring();
  placeLanes();
  ground.see(range);
  document.getElementById("rows-behind").href = home + "/rows?from=" + range[0].toFixed(2) + "&to=" + range[1].toFixed(2);
  document.getElementById("window-text").textContent = clock(range[0], 1) + " – " + clock(range[1], 1) + " UTC, " + duration(range[1] - range[0]);
}
function say(words) { document.getElementById("window-text").textContent = words; }

// -- what is drawn under and over the curves -----------------------------------------------------------------
function look(point) {
  if (point.said) return point.accepted ? { fill: "--shade", line: "--said", dash: [], text: "✎" + point.number } : { fill: "--refused", line: "--said", dash: [4, 4], text: "✎✗" + point.number };
  return point.accepted ? { fill: "--shade", line: "--shade-line", dash: [], text: String(point.number) } : { fill: "--refused", line: "--refused-line", dash: [4, 4], text: "" };
}
const visible = () => picture.points.filter((p) => p.accepted || check("with-refused") || p.said);
function drawPoints(u) {
  const ctx = u.ctx, { top, height, left, width } = u.bbox, scale = devicePixelRatio;
  ctx.save(); ctx.beginPath(); ctx.rect(left, top, width, height); ctx.clip();
  let end = -Infinity;
  visible().forEach((point) => {
    if (point.stop < range[0] || point.start > range[1]) return;
    const a = u.valToPos(point.start, "x", true), b = u.valToPos(point.stop, "x", true), style = look(point);
    ctx.fillStyle = css(style.fill); ctx.fillRect(a, top, b - a, height);
    ctx.strokeStyle = css(style.line); ctx.lineWidth = (picture.points[current] === point ? 2.5 : 1) * scale; ctx.setLineDash(style.dash.map((d) => d * scale));
    if (b - a > 5 * scale || point.said) { ctx.beginPath(); ctx.moveTo(a, top); ctx.lineTo(a, top + height); ctx.moveTo(b, top); ctx.lineTo(b, top + height); ctx.stroke(); }
    if (u === charts[0] && style.text) {
      ctx.font = "bold " + 11 * scale + "px sans-serif"; ctx.textAlign = "center";
      const half = ctx.measureText(style.text).width / 2 + 2 * scale, centre = (Math.max(a, left) + Math.min(b, left + width)) / 2, middle = Math.min(Math.max(centre, left + half), left + width - half);
      if (middle - half > end) { ctx.globalAlpha = 0.8; ctx.fillStyle = css("--panel"); ctx.fillRect(middle - half, top + scale, 2 * half, 14 * scale); ctx.globalAlpha = 1; ctx.fillStyle = css(point.said ? "--said" : "--ink"); ctx.fillText(style.text, middle, top + 12 * scale); end = middle + half; }
    }
  });
  ctx.restore();
}
function drawEvents(u) {
  if (!check("with-events") || range[1] - range[0] > 900) return;
  const ctx = u.ctx, { top, height, left, width } = u.bbox, scale = devicePixelRatio;
  ctx.save(); ctx.beginPath(); ctx.rect(left, top, width, height); ctx.clip();
  ctx.strokeStyle = ctx.fillStyle = css("--c2"); ctx.lineWidth = scale; ctx.setLineDash([3 * scale, 3 * scale]); ctx.font = 10 * scale + "px sans-serif"; ctx.textAlign = "left";
  let end = -Infinity;
  picture.events.forEach((event) => {
    if (event.time < range[0] || event.time > range[1]) return;
    const x = Math.round(u.valToPos(event.time, "x", true)) + 0.5;
    ctx.beginPath(); ctx.moveTo(x, top); ctx.lineTo(x, top + height); ctx.stroke();
    if (u === charts[0] && x > end + 11 * scale) { ctx.save(); ctx.translate(x + 9 * scale, top + height - 4 * scale); ctx.rotate(-Math.PI / 2); ctx.fillStyle = css("--panel"); ctx.globalAlpha = 0.75; ctx.fillRect(-2 * scale, -8 * scale, ctx.measureText(event.label).width + 4 * scale, 10 * scale); ctx.globalAlpha = 1; ctx.fillStyle = css("--c2"); ctx.fillText(event.label, 0, 0); ctx.restore(); end = x; }
  });
  ctx.restore();
}
// What is in view fills the panel. A handful of samples far outside all others (spikes) leave it at its edge.
function extent(panel) {
  if (!shown) return [0, 1];
  const t = shown.t, first = place(t, range[0]), last = Math.max(place(t, range[1]), first + 1);
  let low = Infinity, high = -Infinity;
  const some = [], step = Math.max(1, Math.floor((last - first) * panel.series.length / 600));
  panel.series.forEach((c) => {
    const values = shown.channels[c.name] || [];
    for (let i = first; i < last; i++) { const v = values[i]; if (v == null) continue; if (v < low) low = v; if (v > high) high = v; if (i % step === 0) some.push(v); }
  });
  if (high < low) return [0, 1];
  some.sort((a, b) => a - b);
  if (some.length > 50) {
    const at = (share) => some[Math.min(some.length - 1, Math.floor(share * some.length))], usual = Math.max(at(0.99) - at(0.01), 1e-9);
    if (high > at(0.99) + 2 * usual) high = at(0.99) + 0.2 * usual;
    if (low < at(0.01) - 2 * usual) low = at(0.01) - 0.2 * usual;
  }
  const pad = Math.max(0.06 * (high - low), 0.5 * 10 ** -panel.digits);
  return [low - (low >= 0 && low < 0.25 * high ? low : pad), high + pad];
}
// -- panels --------------------------------------------------------------------------------------------------
function buildPanel(panel, index, last) {
  const spot = element("div", null, { class: "panel" + (index ? " follows" : ""), role: "img", "aria-label": panel.title + (panel.unit ? " in " + panel.unit : "") + " against UTC" });
  host.append(spot);
  const axis = { stroke: () => css("--soft"), grid: { stroke: () => css("--line"), width: 1 }, ticks: { stroke: () => css("--line"), width: 1 }, font: "11px sans-serif" };
  const series = [{ label: "UTC", value: (u, v) => (v == null ? "–" : clock(v, 2)) }];
  panel.series.forEach((c, k) => series.push({ label: c.label, stroke: () => css(INKS[k % INKS.length]), width: 1.2, dash: DASHES[k % 4], spanGaps: false, points: { show: false }, value: (u, v) => (v == null ? "–" : v.toFixed(panel.digits) + " " + panel.unit) }));
  const chart = new uPlot({
    width: host.clientWidth, height: last ? 164 : 138, padding: [5, RIGHT, 0, 0], series,
    cursor: { sync: { key: "sortie" }, drag: { x: true, y: false, setScale: false }, points: { size: 5 } },
    scales: { x: { time: false, auto: false, min: range[0], max: range[1] }, y: { range: () => extent(panel) } },
    axes: [
      { ...axis, size: last ? 28 : 12, values: (u, v) => v.map((x) => (last ? clock(x, range[1] - range[0] < 300 ? 1 : 0) : "")), space: 70, splits: (u, i, min, max, step) => evenTimes(min, max, step), incrs: [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600] },
      { ...axis, size: LEFT, label: panel.title.replace(/ \[.*$/, "") + (panel.unit ? " [" + panel.unit + "]" : ""), labelSize: 15, labelFont: "11px sans-serif", space: 26 },
    ],
    hooks: {
      drawClear: [drawPoints], draw: [drawEvents],
      setCursor: [(u) => { if (u.cursor.idx != null && u.cursor.event) ground.here(u.data[0][u.cursor.idx]); }],
      setSelect: [(u) => { if (u.select.width > 4) { const a = u.posToVal(u.select.left, "x"), b = u.posToVal(u.select.left + u.select.width, "x"); if (selecting) askToAdd(a, b); else { u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false); setRange(a, b); } } }],
      ready: [(u) => {
        u.over.addEventListener("dblclick", () => setRange(...full));
        let pressed = null;
        u.over.addEventListener("mousedown", (event) => { pressed = event.clientX; });
        u.over.addEventListener("click", (event) => { if (pressed != null && Math.abs(event.clientX - pressed) < 4) choose(u.posToVal(event.offsetX, "x")); });
        u.over.addEventListener("wheel", (event) => { if (!event.ctrlKey) return; event.preventDefault(); const at = u.posToVal(event.offsetX, "x"), by = event.deltaY > 0 ? 1.3 : 1 / 1.3; setRange(at - (at - range[0]) * by, at + (range[1] - at) * by); }, { passive: false });
      }],
    },
  }, [[], ...panel.series.map(() => [])], spot);
  Object.assign(chart, { names: panel.series.map((c) => c.name), panel, spot, title: spot.getAttribute("aria-label") });
  charts.push(chart);
}
// Marks on the axis at whole minutes of the clock, not of the recording.
function evenTimes(min, max, step) {
  const shift = picture.start % step, out = [];
  for (let t = Math.ceil((min + shift) / step) * step - shift; t <= max; t += step) out.push(t);
  return out;
}
async function rebuild() {
  charts.forEach((chart) => chart.destroy());
  charts = []; host.textContent = ""; overview = shown = null;
  const some = panels();
  some.forEach((panel, index) => buildPanel(panel, index, index === some.length - 1));
  placeLanes();
  try {
    overview = await samples.whole(chosen().map((c) => c.name), OVERVIEW);
    bring();
    deepened = samples.deepen();
  } catch (error) { if (error.name !== "AbortError") say(error.message); }
}

// -- lanes ---------------------------------------------------------------------------------------------------
lanes.forEach((lane, k) => {
  const row = element("div", null, { class: "lane-box" }), bar = element("div", null, { class: "lane", "data-lane": k, role: "img", "aria-label": lane.name + " against UTC" });
  row.append(element("span", lane.name, { class: "lane-name" }), bar);
  document.getElementById("lanes").append(row);
});
function placeLanes() {
  if (!charts.length) return;
  const plot = charts[0].over.getBoundingClientRect(), outer = host.getBoundingClientRect(), left = plot.left - outer.left, width = plot.width;
  document.querySelectorAll(".lane").forEach((bar) => {
    bar.style.left = left + "px"; bar.style.width = width + "px"; bar.textContent = "";
    const lane = lanes[Number(bar.dataset.lane)], scale = width / (range[1] - range[0]);
    lane.runs.forEach((run) => {
      if (run.stop < range[0] || run.start > range[1]) return;
      const a = (Math.max(run.start, range[0]) - range[0]) * scale, b = (Math.min(run.stop, range[1]) - range[0]) * scale;
      const item = element("span", b - a > 7 * run.value.length + 4 ? run.value : "", { class: run.tone, title: lane.name + ": " + run.value + ", " + clock(run.start, 2) + " to " + clock(run.stop, 2) + (run.note ? ", " + run.note : "") });
      item.style.left = a + "px"; item.style.width = Math.max(2, b - a) + "px";
      bar.append(item);
    });
  });
}

// -- points --------------------------------------------------------------------------------------------------
function choose(time) {
  const under = visible().filter((p) => p.start <= time && time < p.stop).sort((a, b) => b.accepted - a.accepted || (a.stop - a.start) - (b.stop - b.start));
  if (under.length) openPoint(under[0]);
}
async function openPoint(point) {
  current = picture.points.indexOf(point);
  charts.forEach((chart) => chart.redraw(false));
  detail.setAttribute("aria-busy", "true");
  try {
    const answer = await fetch(home + "/points/" + point.number + "?part=1");
    if (!answer.ok) throw new Error("the point cannot be shown");
    detail.innerHTML = await answer.text(); // made by our server from a template that escapes everything
    readyForms(detail);
    takeJudgement();
  } catch (error) { detail.textContent = error.message; }
  detail.removeAttribute("aria-busy");
  detail.dataset.point = point.number;
  // the whole of it read aloud would take minutes: its heading and first numbers are said, the rest is there to be gone through
  document.getElementById("detail-note").textContent = "Point " + [...detail.querySelectorAll(".point-head, .strip.small li")].map((one) => one.textContent.trim().replace(/\s+/g, " ")).join(", ");
  document.dispatchEvent(new Event("contentadded"));
}
function show(point) { const margin = Math.max(20, 0.6 * (point.stop - point.start)); setRange(point.start - margin, point.stop + margin); }
function step(by) {
  const some = visible().map((p) => picture.points.indexOf(p));
  if (!some.length) { detail.textContent = "There is no stabilised point to go to; tick “refused” to go through the candidates that were refused, each with its reason."; return; }
  const at = some.indexOf(current);
  current = some[at < 0 ? (by > 0 ? 0 : some.length - 1) : (at + by + some.length) % some.length];
  show(picture.points[current]);
  charts.forEach((chart) => chart.redraw(false));
}

// -- judgement -----------------------------------------------------------------------------------------------
function takeJudgement() {
  const form = detail.querySelector("form");
  if (!form) return;
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    try { await send(form.getAttribute("action"), { method: "POST", body: new URLSearchParams(new FormData(form)) }); location.assign(home + "?from=" + range[0].toFixed(1) + "&to=" + range[1].toFixed(1) + (detail.dataset.point ? "&point=" + detail.dataset.point : "")); }
    catch (error) { let note = form.querySelector(".caution"); if (!note) { note = element("p", null, { class: "caution", role: "alert" }); form.append(note); } note.textContent = error.message; }
  });
}
function askToAdd(from, to) {
  const move = detail.querySelector("input[value=move]");
  if (move && move.checked) { detail.querySelector("[data-stretch=start]").value = stamp(from); detail.querySelector("[data-stretch=stop]").value = stamp(to); return; }
  detail.textContent = ""; delete detail.dataset.point;
  const form = element("form", null, { class: "judge adding", method: "post", action: home + "/marks" });
  form.append(element("h2", "✎ A point of your own"), element("p", clock(from, 2) + " to " + clock(to, 2) + " UTC, " + (to - from).toFixed(1) + " s", { class: "under" }));
  [["action", "add"], ["start", stamp(from)], ["stop", stamp(to)]].forEach(([name, value]) => form.append(element("input", null, { type: "hidden", name, value })));
  const reason = element("label", "reason ", { class: "wide" }), by = element("label", "name ", { class: "wide" });
  reason.append(element("input", null, { name: "reason", required: "", maxlength: "500" }));
  by.append(element("input", null, { name: "by", required: "", maxlength: "100", "data-remember": "judge" }));
  form.append(reason, by, element("button", "Keep this judgement", { type: "submit" }));
  detail.append(form);
  readyForms(form); takeJudgement();
  form.querySelector("[name=reason]").focus();
}
const selectButton = document.getElementById("select-mode");
selectButton.addEventListener("click", () => { selecting = !selecting; selectButton.setAttribute("aria-pressed", String(selecting)); box.classList.toggle("selecting", selecting); if (!selecting) charts.forEach((c) => c.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false)); });
document.getElementById("mark-window").addEventListener("click", () => askToAdd(...range)); // the way without a mouse: what is shown is the stretch

// -- keys, buttons, tables -----------------------------------------------------------------------------------
const zoom = (by) => { const middle = (range[0] + range[1]) / 2, half = (range[1] - range[0]) / 2 * by; setRange(middle - half, middle + half); };
const shift = (share) => { const span = range[1] - range[0], by = Math.max(full[0] - range[0], Math.min(full[1] - range[1], share * span)); setRange(range[0] + by, range[1] + by); };
const actions = { ArrowRight: () => shift(0.25), ArrowLeft: () => shift(-0.25), "+": () => zoom(0.5), "-": () => zoom(2), 0: () => setRange(...full), n: () => step(1), p: () => step(-1), Enter: () => { if (current >= 0) openPoint(picture.points[current]); } };
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.closest("input:not([type=checkbox]), textarea, select")) return;
  if (event.key === "Enter" && event.target.closest("input, button, a, summary, tr[tabindex]")) return; // there Enter is the control's own
  if (actions[event.key]) { actions[event.key](); if (event.key.startsWith("Arrow")) event.preventDefault(); }
});
Object.entries({ "zoom-in": "+", "zoom-out": "-", "zoom-all": "0", "point-before": "p", "point-after": "n" }).forEach(([id, key]) => document.getElementById(id).addEventListener("click", () => { actions[key](); if (id.startsWith("point") && current >= 0) openPoint(picture.points[current]); }));
["with-refused", "with-events"].forEach((id) => document.getElementById(id).addEventListener("change", () => charts.forEach((chart) => chart.redraw(false))));
// The tables come after the picture; a row leads back to it.
async function loadTables() {
  const place = document.getElementById("tables"), answer = await fetch(home + "/tables?part=1");
  place.innerHTML = answer.ok ? await answer.text() : "<p class='caution'>The tables cannot be shown.</p>"; // from our own template, escaped there
  place.removeAttribute("aria-busy");
  place.querySelectorAll("tr[data-from], tr[data-point]").forEach(readyRow);
  document.dispatchEvent(new Event("contentadded"));
}
function readyRow(row) {
  row.tabIndex = 0;
  const go = () => {
    const point = picture.points.find((p) => String(p.number) === row.dataset.point);
    if (point) { if (!point.accepted) document.getElementById("with-refused").checked = true; show(point); openPoint(point); } else { const a = Number(row.dataset.from), b = Number(row.dataset.to), margin = Math.max(15, 0.6 * (b - a)); setRange(a - margin, b + margin); }
    box.scrollIntoView({ block: "start" });
  };
  row.addEventListener("click", (event) => { if (!event.target.closest("a")) go(); });
  row.addEventListener("keydown", (event) => { if (event.key === "Enter" && event.target === row) go(); });
}
let width = host.clientWidth;
new ResizeObserver(() => { if (host.clientWidth !== width) { width = host.clientWidth; charts.forEach((chart) => chart.setSize({ width, height: chart.height })); placeLanes(); } }).observe(host);
const repaint = () => { inks = {}; charts.forEach((chart) => chart.redraw(false)); };
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", repaint);
document.documentElement.addEventListener("themechange", repaint);

const ground = groundTrack(document.getElementById("ground"), picture, clock);
const wanted = new URLSearchParams(location.search);
buildChooser();
await rebuild();
setRange(...(wanted.has("from") ? [parseFloat(wanted.get("from")), wanted.has("to") ? parseFloat(wanted.get("to")) : full[1]] : full));
const asked = picture.points.find((p) => String(p.number) === wanted.get("point"));
if (asked) { if (!wanted.has("from")) show(asked); openPoint(asked); }
await deepened; // the tables lie below: what the next zoom needs comes first
await loadTables();
