// What scrolls can be scrolled by the keyboard in every browser, and is named; the page one is on stands in view in the bar.
const SCROLLS = ".scroll, .rows-text, #detail, .top nav", INSIDE = "a[href], button, input, select, textarea, summary, [tabindex='0']";

function ready() {
  document.querySelectorAll(SCROLLS).forEach((one) => {
    const scrolls = one.scrollWidth > one.clientWidth + 1 || one.scrollHeight > one.clientHeight + 1;
    if (!scrolls || one.hasAttribute("tabindex") || one.querySelector(INSIDE)) return;
    one.tabIndex = 0;
    if (!one.hasAttribute("aria-label")) { one.setAttribute("role", "region"); one.setAttribute("aria-label", nameOf(one)); }
  });
}
// The words of the summary or heading that stands before it.
function nameOf(one) {
  const summary = one.closest("details")?.querySelector("summary");
  if (summary) return summary.textContent.trim();
  const before = [...document.querySelectorAll("h1, h2, h3")].filter((head) => head.compareDocumentPosition(one) & Node.DOCUMENT_POSITION_FOLLOWING);
  return before.length ? before[before.length - 1].textContent.trim() : "Table";
}

let waits = false;
function soon() { if (!waits) { waits = true; requestAnimationFrame(() => { waits = false; ready(); }); } }
document.addEventListener("toggle", soon, true);
document.addEventListener("contentadded", soon);
addEventListener("resize", soon);
soon();
const bar = document.querySelector(".top nav"), here = bar.querySelector("[aria-current]");
if (here) bar.scrollLeft = here.offsetLeft - bar.offsetLeft - (bar.clientWidth - here.offsetWidth) / 2;
