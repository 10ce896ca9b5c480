// Forms of judgement: the name is remembered in this browser; a failed post is told in place.
export function readyForms(root) {
  root.querySelectorAll("[data-remember]").forEach((field) => {
    const key = "trimshot." + field.dataset.remember;
    try { if (!field.value) field.value = localStorage.getItem(key) || ""; } catch { /* nothing is kept in a private window */ }
    field.addEventListener("change", () => { try { localStorage.setItem(key, field.value); } catch { /* as above */ } });
  });
}

export async function send(address, options) {
  const answer = await fetch(address + (address.includes("?") ? "&" : "?") + "format=json", options);
  const value = await answer.json();
  if (!answer.ok) throw new Error([value.what, value.where, value.found && "found " + value.found, value.allowed && "allowed: " + value.allowed, value.do].filter(Boolean).join("; "));
  return value;
}

export async function follow(job, show) {
  while (job.state === "waiting" || job.state === "working") {
    show(job);
    await new Promise((go) => setTimeout(go, 300));
    job = await send("/jobs/" + job.id);
  }
  show(job);
  if (job.state === "failed") throw new Error(job.error);
  return job.result;
}

export function element(tag, words, attributes = {}) {
  const made = document.createElement(tag);
  if (words != null) made.textContent = words;
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  return made;
}

readyForms(document);
