// Light, dark, or as the system has it: set before anything is drawn.
"use strict";
(function () {
  const key = "trimshot.theme", kinds = ["auto", "light", "dark"];
  const root = document.documentElement;
  function stored() { try { return localStorage.getItem(key); } catch { return null; } }
  function apply(kind) {
    if (kind === "auto") root.removeAttribute("data-theme"); else root.setAttribute("data-theme", kind);
    root.dispatchEvent(new CustomEvent("themechange"));
  }
  let now = kinds.includes(stored()) ? stored() : "auto";
  apply(now);
  // Paper is white: what is drawn takes the light inks while it is printed.
  addEventListener("beforeprint", () => apply("light"));
  addEventListener("afterprint", () => apply(now));
  document.addEventListener("DOMContentLoaded", () => {
    const button = document.getElementById("theme"), text = document.getElementById("theme-name");
    text.textContent = now;
    button.addEventListener("click", () => {
      now = kinds[(kinds.indexOf(now) + 1) % kinds.length];
      try { localStorage.setItem(key, now); } catch { /* a private window keeps nothing */ }
      text.textContent = now;
      apply(now);
    });
  });
})();
