// Files by drag or choice: each sent on its own with its progress, then added; a cancelled drop leaves nothing.
import { element, follow, send } from "./forms.js";
import { readyAnswers } from "./questions.js";

const zone = document.getElementById("drop-zone"), under = document.getElementById("under-way");
const table = document.querySelector("#files tbody"), whole = document.getElementById("whole"), wholeText = document.getElementById("whole-text");
const outcome = document.getElementById("outcome"), title = document.getElementById("drop-title"), cancelButton = document.getElementById("cancel");
let drop = null, cancelled = false, sending = null, pending = null;

const size = (bytes) => (bytes < 1e6 ? (bytes / 1e3).toFixed(0) + " kB" : (bytes / 1e6).toFixed(1) + " MB");

["dragenter", "dragover"].forEach((name) => zone.addEventListener(name, (event) => { event.preventDefault(); zone.classList.add("over"); }));
["dragleave", "drop"].forEach((name) => zone.addEventListener(name, () => zone.classList.remove("over")));
document.addEventListener("dragover", (event) => event.preventDefault());
document.addEventListener("drop", (event) => event.preventDefault());
zone.addEventListener("drop", async (event) => {
  event.preventDefault();
  const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry && item.webkitGetAsEntry()).filter(Boolean);
  const files = entries.length ? (await Promise.all(entries.map((entry) => walk(entry, "")))).flat() : [...event.dataTransfer.files].map((file) => ({ name: file.name, file }));
  take(files);
});
document.getElementById("choose-folder").addEventListener("change", (event) => take([...event.target.files].map((file) => ({ name: file.webkitRelativePath || file.name, file }))));
document.getElementById("choose-files").addEventListener("change", (event) => take([...event.target.files].map((file) => ({ name: file.name, file }))));

async function walk(entry, above) {
  const name = above + entry.name;
  if (entry.isFile) return [{ name, file: await new Promise((good, bad) => entry.file(good, bad)) }];
  const reader = entry.createReader(), found = [];
  for (;;) { // a reader gives at most a hundred entries at a time
    const some = await new Promise((good, bad) => reader.readEntries(good, bad));
    if (!some.length) break;
    found.push(...some);
  }
  return (await Promise.all(found.map((one) => walk(one, name + "/")))).flat();
}

async function take(files) {
  const shown = files.filter(({ name }) => !name.split("/").some((part) => part.startsWith(".")));
  if (!shown.length) return tell("There is no file in what was dropped.");
  cancelled = false; outcome.textContent = ""; table.textContent = ""; under.hidden = false; zone.hidden = true; cancelButton.hidden = false;
  title.textContent = shown.length === 1 ? "1 file" : shown.length + " files";
  document.getElementById("loose").hidden = true;
  const rows = shown.map(({ name, file }) => {
    const row = element("tr"), bar = element("progress", null, { max: "1", value: "0", "aria-label": name });
    const cell = element("td"); cell.append(bar);
    row.append(element("td", name), element("td", size(file.size), { class: "n" }), cell);
    table.append(row);
    return bar;
  });
  const total = shown.reduce((sum, { file }) => sum + file.size, 0) || 1;
  let sent = 0;
  try {
    drop = (await send("/drop", { method: "POST" })).id;
    for (const [index, { name, file }] of shown.entries()) {
      if (cancelled) return;
      await put(name, file, (part) => { rows[index].value = part; whole.value = (sent + part * file.size) / total; wholeText.textContent = size(sent + part * file.size) + " of " + size(total); });
      sent += file.size;
    }
    const loose = shown.filter(({ name }) => !name.includes("/") && !name.toLowerCase().endsWith(".zip"));
    if (loose.length > 1) await nameLoose();
    if (!cancelled) await add();
  } catch (error) { if (!cancelled) { tell(error.message, "failed"); stop(); } }
}

function put(name, file, progress) {
  return new Promise((good, bad) => {
    const request = sending = new XMLHttpRequest();
    request.open("PUT", "/drop/" + drop + "/file?format=json&name=" + encodeURIComponent(name));
    request.upload.addEventListener("progress", (event) => progress(event.total ? event.loaded / event.total : 1));
    request.addEventListener("load", () => {
      if (request.status < 300) { progress(1); good(); return; }
      let told = {}; try { told = JSON.parse(request.responseText); } catch { told = { what: request.responseText }; }
      bad(new Error(name + ": " + told.what + (told.found ? "; found " + told.found : "")));
    });
    request.addEventListener("error", () => bad(new Error(name + " could not be sent")));
    request.addEventListener("abort", () => bad(new Error("cancelled")));
    request.send(file);
  });
}

// Loose files become one sortie: its name is asked for, the way on is a key or the button.
function nameLoose() {
  const line = document.getElementById("loose"), field = document.getElementById("loose-name");
  line.hidden = false;
  const go = element("button", "Add", { type: "button" });
  line.append(" ", go);
  field.focus();
  return new Promise((good) => {
    pending = good;
    const on = () => { go.remove(); pending = null; good(); };
    go.addEventListener("click", on);
    field.addEventListener("keydown", (event) => { if (event.key === "Enter") on(); });
  });
}

async function add() {
  cancelButton.hidden = true;
  const job = await send("/drop/" + drop + "/add", { method: "POST", body: new URLSearchParams({ name: document.getElementById("loose-name").value }) });
  title.textContent = "Reading and searching";
  const result = await follow(job, (now) => { wholeText.textContent = now.text ? now.text + ", " + (now.done + 1) + " of " + now.total : "waiting for its turn"; whole.removeAttribute("value"); });
  drop = null;
  under.hidden = true;
  await showOutcome(result);
}

async function showOutcome(result) {
  outcome.append(element("h2", "What became of it"));
  result.sorties.forEach((one) => outcome.append(describe(one)));
  if (!result.sorties.length) outcome.append(element("p", "No sortie was found there: a sortie is a folder with log files in it, or a zip of one."));
  zone.hidden = false;
  const asked = new Set(result.sorties.flatMap((one) => one.questions));
  if (asked.size) await askHere(asked);
  const good = result.sorties.filter((one) => one.address);
  if (!asked.size && good.length === 1 && result.sorties.length === 1) location.assign(good[0].address);
}

async function askHere(asked) {
  const page = new DOMParser().parseFromString(await (await fetch("/questions")).text(), "text/html");
  const found = [...page.querySelectorAll("article.question")].filter((one) => asked.has(one.id.replace("question-", "")));
  if (!found.length) return;
  outcome.append(element("h2", "Only you can decide"));
  found.forEach((one) => outcome.append(document.importNode(one, true)));
  readyAnswers(outcome, (result) => { if (result.changes.length === 1) outcome.append(link("/sortie/" + encodeURIComponent(result.changes[0].sortie), "Go to " + result.changes[0].sortie)); });
}

function describe(one) {
  const box = element("article", null, { class: "outcome " + one.status }), head = element("h3");
  head.append({ added: "✓ ", replaced: "✓ ", unchanged: "= ", failed: "■ " }[one.status], one.address ? link(one.address, one.sortie) : one.sortie, " " + one.status);
  box.append(head);
  if (one.error) box.append(element("p", one.error));
  if (one.note) box.append(element("p", one.note));
  if (one.status === "added" || one.status === "replaced") {
    box.append(element("p", one.minutes + " min, " + one.points + " points, " + one.refused + " candidates refused, " + one.events + " events"));
    const rows = element("table", null, { class: "listing" });
    rows.innerHTML = "<thead><tr><th>File</th><th>Recognised as</th><th class='n'>Rows in</th><th class='n'>Rows out</th><th class='n'>Channels</th><th>Doubts</th></tr></thead>";
    const body = element("tbody");
    one.files.forEach((file) => {
      const row = element("tr");
      row.append(element("td", file.file), element("td", file.adapter), element("td", file.rows_in, { class: "n" }), element("td", file.rows_out, { class: "n" }), element("td", file.channels, { class: "n" }), element("td", file.doubts.join("; ")));
      body.append(row);
    });
    rows.append(body); box.append(rows);
    one.findings.forEach((finding) => box.append(element("p", (finding.level === "fault" ? "■ " : "▲ ") + finding.text, { class: "level-" + finding.level })));
  }
  return box;
}

const link = (address, words) => element("a", words, { href: address });
function tell(words) { outcome.append(element("p", words, { class: "caution", role: "alert" })); }
function stop() { under.hidden = true; zone.hidden = false; giveUp(); }
function giveUp() { if (drop) { fetch("/drop/" + drop, { method: "DELETE", keepalive: true }); drop = null; } }
cancelButton.addEventListener("click", () => { cancelled = true; if (sending) sending.abort(); if (pending) { pending(); pending = null; } stop(); tell("Cancelled; nothing was kept."); });
window.addEventListener("pagehide", () => { if (drop && !cancelButton.hidden) giveUp(); });
