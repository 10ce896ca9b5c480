// Sorties found with other settings than now: found anew at a click, with its progress.
import { follow, send } from "./forms.js";

const button = document.getElementById("find-anew"), note = document.getElementById("find-anew-note");
button.addEventListener("click", async () => {
  button.disabled = true;
  try {
    const result = await follow(await send("/rebuild", { method: "POST" }), (now) => { note.textContent = now.text ? now.text + ", " + Math.min(now.done + 1, now.total) + " of " + now.total : "waiting for its turn"; });
    if (!result.failed.length) { location.reload(); return; }
    note.textContent = result.failed.map((one) => one.sortie + ": " + one.error).join("; ");
  } catch (error) { note.textContent = "✗ " + error.message; }
  button.disabled = false;
});
