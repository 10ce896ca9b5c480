// Answers given in place: the sorties are read anew, then what changed is told.
import { element, follow, send } from "./forms.js";

export function readyAnswers(root, after) {
  root.querySelectorAll("form.answer").forEach((form) => form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const note = form.querySelector(".progress"), button = form.querySelector("button");
    button.disabled = true;
    try {
      const job = await send(form.getAttribute("action"), { method: "POST", body: new URLSearchParams(new FormData(form)) });
      const result = await follow(job, (now) => { note.textContent = now.state === "done" ? "" : " reading anew " + now.text + " (" + now.done + " of " + now.total + ")"; });
      form.replaceWith(outcome(result));
      if (after) after(result);
    } catch (error) { note.textContent = " " + error.message; button.disabled = false; }
  }));
}

function outcome(result) {
  const box = element("div");
  box.append(element("p", "✓ " + result.value + ", kept for every later sortie of this recorder"));
  const list = element("ul");
  for (const change of result.changes) {
    const item = element("li"), link = element("a", change.sortie, { href: "/sortie/" + encodeURIComponent(change.sortie) });
    item.append(link, ": " + (change.is_new ? "added, " + change.points[1] + " points" : change.points[0] + " → " + change.points[1] + " points, " + change.channels[0] + " → " + change.channels[1] + " channels"));
    list.append(item);
  }
  for (const one of result.failed) list.append(element("li", one.sortie + ": " + one.error));
  for (const one of result.missing) list.append(element("li", "no longer there: " + one + "; drop it again"));
  box.append(list);
  return box;
}

readyAnswers(document);
