// A condition put together from channel, comparison and value with its unit; stretches overlaid from their start.
import { element, send } from "./forms.js";
import { overlay } from "./overlay.js";

const data = JSON.parse(document.getElementById("builder-data").textContent);
const builder = document.getElementById("builder"), text = document.getElementById("condition"), note = document.getElementById("condition-note");
const terms = [];
let timer = 0, latest = 0;

function options(select, items) { items.forEach(([value, words]) => select.append(element("option", words, { value }))); }

function addTerm() {
  const line = element("div", null, { class: "term" }), joint = element("span", terms.length ? "and" : "where", { class: "joint" });
  const what = element("select", null, { "aria-label": "channel or state" }), how = element("select", null, { "aria-label": "comparison" });
  const value = element("input", null, { size: "8", "aria-label": "value", inputmode: "decimal" }), word = element("select", null, { "aria-label": "word" }), unit = element("select", null, { "aria-label": "unit" });
  what.append(element("option", "choose …", { value: "" }));
  const states = element("optgroup", null, { label: "Configuration and phase" });
  options(states, Object.keys(data.states).filter((name) => data.states[name].length).map((name) => ["state:" + name, name]));
  what.append(states);
  const families = new Map();
  data.channels.forEach((c) => { if (!families.has(c.family)) families.set(c.family, element("optgroup", null, { label: c.family })); families.get(c.family).append(element("option", c.label, { value: c.name, title: c.what })); });
  what.append(...families.values());
  const term = { what, how, value, word, unit };
  what.addEventListener("change", () => {
    const state = what.value.startsWith("state:") ? what.value.slice(6) : null, channel = data.channels.find((c) => c.name === what.value);
    [how, word, unit].forEach((one) => { one.textContent = ""; });
    options(how, state ? [["=", "is"], ["<>", "is not"]] : [[">", "more than"], [">=", "at least"], ["<", "less than"], ["<=", "at most"], ["abs>", "either way more than"], ["abs<", "either way less than"]]);
    if (state) options(word, data.states[state].map((one) => [one, one]));
    if (channel) options(unit, channel.units.map((one) => [one.call, one.unit]));
    word.hidden = !state; value.hidden = Boolean(state) || !channel; unit.hidden = !channel || !channel.units.length; how.hidden = !what.value;
    compose();
  });
  [how, value, word, unit].forEach((one) => { one.hidden = true; one.addEventListener("input", compose); });
  const drop = element("button", "×", { type: "button", "aria-label": "Leave this out" });
  drop.addEventListener("click", () => { terms.splice(terms.indexOf(term), 1); line.remove(); compose(); });
  line.append(joint, what, how, word, value, unit, drop);
  terms.push(term);
  builder.insertBefore(line, foot);
}

function written({ what, how, value, word, unit }) {
  if (what.value.startsWith("state:")) return what.value.slice(6) + " " + how.value + " '" + word.value.replaceAll("'", "''") + "'";
  const number = Number(value.value.replace(",", "."));
  if (!what.value || value.value.trim() === "" || !Number.isFinite(number)) return null;
  const name = /^[a-z_][a-z0-9_]*$/.test(what.value) ? what.value : '"' + what.value.replaceAll('"', '""') + '"';
  const sign = how.value.replace("abs", ""), side = how.value.startsWith("abs") ? "abs(" + name + ")" : name;
  return side + " " + sign + " " + (unit.value ? unit.value + "(" + number + ")" : number);
}
function compose() {
  terms.forEach((term) => term.value.setAttribute("aria-invalid", String(!term.value.hidden && term.value.value.trim() !== "" && written(term) === null)));
  const wrong = terms.find((term) => term.value.getAttribute("aria-invalid") === "true");
  if (wrong) { clearTimeout(timer); latest++; note.textContent = "✗ " + wrong.value.value + " is not a number: write the number alone, its unit stands beside"; return; }
  const parts = terms.map(written).filter(Boolean);
  if (parts.length) { text.value = parts.join(" AND "); check(); }
}
function check() {
  clearTimeout(timer);
  timer = setTimeout(async () => {
    if (!text.value.trim()) { note.textContent = ""; return; }
    const mine = ++latest, answer = await (await fetch("/ask/check?condition=" + encodeURIComponent(text.value))).json();
    if (mine === latest) note.textContent = answer.ok ? "✓ can be asked; names " + answer.channels.join(", ") + answer.notes.map((one) => "; ▲ " + one).join("") : "✗ " + answer.error;
  }, 350);
}
const more = element("button", "+ and …", { type: "button" });
const foot = element("div", null, { class: "term" });
foot.append(element("span", "", { class: "joint" }), more);
builder.append(foot);
more.addEventListener("click", addTerm);
addTerm();
text.addEventListener("input", check);

// -- conditions kept under a name ----------------------------------------------------------------------------
const saveForm = document.getElementById("save-form"), saveNote = document.getElementById("save-note");
document.getElementById("save-open").addEventListener("click", () => { saveForm.hidden = !saveForm.hidden; if (!saveForm.hidden) saveForm.elements.name.focus(); });
saveForm.addEventListener("submit", async (event) => {
  event.preventDefault();
  const asked = new URLSearchParams(new FormData(document.getElementById("ask-form"))), body = new URLSearchParams(new FormData(saveForm));
  asked.delete("sortie"); // a kept condition is for every sortie
  try { await send("/ask/saved?" + asked, { method: "POST", body }); location.reload(); } catch (error) { saveNote.textContent = "✗ " + error.message; }
});
document.querySelectorAll("[data-forget]").forEach((button) => button.addEventListener("click", async () => {
  try { await send("/ask/saved/" + encodeURIComponent(button.dataset.forget), { method: "DELETE" }); button.parentElement.remove(); } catch (error) { note.textContent = "✗ " + error.message; }
}));

// -- overlaid stretches --------------------------------------------------------------------------------------
const held = document.getElementById("curves");
if (held) {
  const curves = JSON.parse(held.textContent), select = document.getElementById("overlay-channel"), host = document.getElementById("overlay");
  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const inks = ["--c1", "--c2", "--c3", "--c4", "--c5", "--c6", "--c7", "--c8"], dashes = [undefined, [7, 3], [2, 3]];
  options(select, curves.channels.map((c) => [c.name, c.label + (c.unit ? " [" + c.unit + "]" : "")]));
  let chart = null;
  function draw() {
    if (chart) chart.destroy();
    const channel = curves.channels.find((c) => c.name === select.value);
    if (!channel) return;
    const lines = curves.lines.filter((one) => one.channels[channel.name]);
    const { times, columns } = overlay(lines, channel.name);
    const known = columns.flat().filter((v) => v != null), span = known.length ? ", " + Math.min(...known).toPrecision(4) + " to " + Math.max(...known).toPrecision(4) : "";
    host.setAttribute("role", "img");
    host.setAttribute("aria-label", lines.length + " stretches of " + channel.label + (channel.unit ? " in " + channel.unit : "") + " against seconds from " + curves.origin + span + "; the table below has their means");
    const axis = { stroke: () => css("--soft"), grid: { stroke: () => css("--line"), width: 1 }, ticks: { stroke: () => css("--line"), width: 1 }, font: "11px sans-serif" };
    chart = new uPlot({
      width: host.clientWidth, height: 260, padding: [8, 12, 0, 0], legend: { show: false }, cursor: { drag: { x: true, y: true } }, scales: { x: { time: false } },
      axes: [{ ...axis, size: 40, label: "seconds from " + curves.origin, labelSize: 14, labelFont: "11px sans-serif" }, { ...axis, size: 64, label: channel.label + (channel.unit ? " [" + channel.unit + "]" : ""), labelSize: 15, labelFont: "11px sans-serif" }],
      series: [{}, ...lines.map((one, k) => ({ label: one.label, stroke: () => css(inks[k % 8]), width: 1.2, dash: dashes[Math.floor(k / 8) % 3], points: { show: false } }))],
    }, [times, ...columns], host);
  }
  select.addEventListener("change", draw);
  document.documentElement.addEventListener("themechange", () => chart && chart.redraw(false));
  let width = host.clientWidth;
  new ResizeObserver(() => { if (chart && host.clientWidth !== width) { width = host.clientWidth; chart.setSize({ width, height: 260 }); } }).observe(host);
  draw();
  host.dataset.lines = String(curves.lines.length);
}
