// Files by drag or choice: each sent on its own with its progress, then added; a cancelled drop leaves nothing.
import { element, follow, send } from "./forms.js";
import { readyAnswers } from "./questions.js";

const zone = document.getElementById("drop-zone"), under = document.getElementById("under-way");
const table = document.querySelector("#files tbody"), whole = document.getElementById("whole"), wholeText = document.getElementById("whole-text");
const outcome = document.getElementById("outcome"), title = document.getElementById("drop-title"), cancelButton = document.getElementById("cancel");
let drop = null, cancelled = false, sending = null, pending = null, taken = 0, working = 0, called = "";

const speak = (words) => { document.getElementById("said").textContent = words; };
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
function choose(event, nameOf) {
  const files = [...event.target.files].map((file) => ({ name: nameOf(file), file }));
  event.target.value = ""; // the same folder chosen again is a new choice
  take(files);
}
document.getElementById("choose-folder").addEventListener("change", (event) => choose(event, (file) => file.webkitRelativePath || file.name));
document.getElementById("choose-files").addEventListener("change", (event) => choose(event, (file) => file.name));

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
  if (!shown.length) return tell("There is no file in what was dropped: choose the folder that holds the recorders' files, or its zip.");
  taken += 1; cancelled = false; table.textContent = ""; under.hidden = false; zone.hidden = true; cancelButton.hidden = false;
  const total = shown.reduce((sum, { file }) => sum + file.size, 0) || 1;
  if (total > Number(zone.dataset.most)) { stop(); return tell("That is " + size(total) + ", more than one drop may hold (" + size(Number(zone.dataset.most)) + "): drop the sorties one by one."); }
  const tops = [...new Set(shown.map(({ name }) => name.split("/")[0]))];
  called = tops.length > 3 ? tops.length + " files or sorties" : tops.join(", ");
  title.textContent = shown.length === 1 ? "1 file" : shown.length + " files";
  document.getElementById("loose").hidden = true;
  speak("Sending " + title.textContent + ", " + size(total));
  const rows = shown.map(({ name, file }) => {
    const row = element("tr"), bar = element("progress", null, { max: "1", value: "0", "aria-label": name });
    const cell = element("td"); cell.append(bar);
    row.append(element("td", name), element("td", size(file.size), { class: "n" }), cell);
    table.append(row);
    return bar;
  });
  whole.value = 0; wholeText.textContent = "";
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
      bad(new Error([name + ": " + told.what, told.found && "found " + told.found, told.allowed && "allowed: " + told.allowed, told.do].filter(Boolean).join("; ")));
    });
    request.addEventListener("error", () => bad(new Error(name + " could not be sent: the file was moved or changed, it is a folder, or the server was ended; look, then drop it again")));
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

// The server adds one drop after the other; meanwhile the page takes the next.
async function add() {
  const mine = taken, heldUp = working > 0;
  const body = new URLSearchParams({ name: document.getElementById("loose-name").value, replace: document.getElementById("replace").checked ? "yes" : "" });
  const job = await send("/drop/" + drop + "/add", { method: "POST", body });
  const box = element("article", null, { class: "outcome working" }), bar = element("progress", null, { "aria-label": "Reading and searching" }), words = element("span");
  box.append(element("h3", "Reading and searching " + called), bar, " ", words, element("p", "The next sortie can be dropped meanwhile; leaving this page does not stop it.", { class: "hint" }));
  outcome.prepend(box);
  speak("Reading and searching " + called);
  drop = null; under.hidden = true; zone.hidden = false; document.getElementById("loose-name").value = "";
  working += 1;
  try {
    const result = await follow(job, (now) => {
      words.textContent = now.text ? now.text + ", " + Math.min(now.done + 1, now.total) + " of " + now.total : "waiting for its turn";
      if (now.total > 1) { bar.max = now.total; bar.value = now.done; }
    });
    box.remove();
    await showOutcome(result, mine === taken && !heldUp && working === 1);
  } catch (error) { box.remove(); tell(error.message); }
  working -= 1;
}

// alone: nothing else was dropped; a single sortie read without a fault is gone to at once
async function showOutcome(result, alone) {
  const heading = element("h2", "What became of it"), part = element("section");
  part.append(heading);
  outcome.append(part);
  result.sorties.forEach((one) => part.append(describe(one)));
  speak([...part.querySelectorAll("article")].map((one) => [one.querySelector("h3").textContent, one.querySelector("p")?.textContent].filter(Boolean).join(": ")).join("; "));
  if (!result.sorties.length) part.append(element("p", "No sortie was found there: a sortie is a folder with log files in it, or a zip of one.", { class: "caution" }));
  const asked = new Set(result.sorties.flatMap((one) => one.questions));
  if (asked.size) await askHere(asked, part);
  const [one] = result.sorties;
  if (alone && isOne(result) && !asked.size && !one.findings.some((finding) => finding.level === "fault")) location.assign(one.address + (one.status === "unchanged" ? "?already=1" : ""));
  else heading.scrollIntoView({ block: "nearest" });
}
const isOne = (result) => result.sorties.length === 1 && Boolean(result.sorties[0].address);

async function askHere(asked, part) {
  const page = new DOMParser().parseFromString(await (await fetch("/questions")).text(), "text/html");
  const found = [...page.querySelectorAll("article.question")].filter((one) => asked.has(one.id.replace("question-", "")));
  if (!found.length) return;
  part.append(element("h2", "Only you can decide"));
  found.forEach((one) => part.append(document.importNode(one, true)));
  readyAnswers(part, (result) => { if (result.changes.length === 1) part.append(link("/sortie/" + encodeURIComponent(result.changes[0].sortie), "Go to " + result.changes[0].sortie)); });
}

function describe(one) {
  const box = element("article", null, { class: "outcome " + one.status }), head = element("h3");
  const waits = one.status === "failed" && one.questions.length > 0;
  if (waits) box.className = "outcome question";
  head.append(waits ? "▲ " : { added: "✓ ", replaced: "✓ ", unchanged: "= ", failed: "■ " }[one.status], one.address ? link(one.address, one.sortie) : one.sortie, " " + (waits ? "waits for your answer below" : one.status === "failed" ? "was not added" : one.status === "unchanged" ? "was there already; nothing was added" : one.status));
  box.append(head);
  if (one.error) {
    box.append(element("p", one.error_short));
    if (one.error.length > one.error_short.length + 40) { const more = element("details"); more.append(element("summary", "More exactly"), ...one.error.split("; ").map((part) => element("div", part))); box.append(more); } else box.firstElementChild.nextElementSibling.textContent = one.error;
  }
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
    const told = new Set(one.files.flatMap((file) => file.doubts)); // beside their file already
    one.findings.filter((finding) => !told.has(finding.text)).forEach((finding) => box.append(element("p", (finding.level === "fault" ? "■ " : "▲ ") + finding.text, { class: "level-" + finding.level })));
  }
  return box;
}

const link = (address, words) => element("a", words, { href: address });
function tell(words) { outcome.append(element("p", words, { class: "caution", role: "alert" })); }
function stop() { under.hidden = true; zone.hidden = false; giveUp(); }
function giveUp() { if (drop) { fetch("/drop/" + drop, { method: "DELETE", keepalive: true }); drop = null; } }
cancelButton.addEventListener("click", () => { cancelled = true; if (sending) sending.abort(); if (pending) { pending(); pending = null; } stop(); tell("Cancelled; nothing was kept."); });
window.addEventListener("pagehide", () => { if (drop && !cancelButton.hidden) giveUp(); });
