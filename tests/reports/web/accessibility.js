// What is wrong with a page for who uses it by keyboard, by ear or in glaring light: a list of sentences, empty when nothing is.
// Asked by test_accessibility.py. Contrast as WCAG 2.2 computes it (1.4.3, 1.4.11); names as its 1.3.1, 2.4.4, 4.1.2 ask for them.
(() => {
  const wrong = [], all = (selector) => [...document.querySelectorAll(selector)];
  const seen = (one) => one.checkVisibility({ opacityProperty: true, visibilityProperty: true }) && !one.closest(".hidden");
  const told = (one) => one.outerHTML.replace(/\s+/g, " ").slice(0, 110);
  const words = (one) => (one ? one.textContent.trim() : "");
  function named(one) {
    if (one.getAttribute("aria-label")?.trim()) return true;
    const by = one.getAttribute("aria-labelledby");
    if (by && by.split(/\s+/).some((id) => words(document.getElementById(id)))) return true;
    if (one.labels?.length) return [...one.labels].some((label) => words(label).length > 0);
    return words(one) !== "" || [...one.querySelectorAll("svg[aria-label], img[alt]")].length > 0;
  }
  // -- the page as a whole
  if (document.documentElement.lang !== "en") wrong.push("the language is not told");
  for (const [what, selector] of [["main", "main"], ["header", "body > header"], ["footer", "body > footer"], ["navigation", "nav[aria-label]"]])
    if (all(selector).length < 1 || (what === "main" && all(selector).length > 1)) wrong.push("no landmark " + what);
  const heads = all("h1, h2, h3, h4, h5, h6").filter(seen).map((one) => [Number(one.tagName[1]), words(one)]);
  if (heads.filter(([level]) => level === 1).length !== 1) wrong.push("not one first heading: " + heads.filter(([l]) => l === 1).map(([, w]) => w).join(" | "));
  heads.forEach(([level, text], k) => { if (!text) wrong.push("a heading without words"); if (level > (k ? heads[k - 1][0] : 0) + 1) wrong.push("heading “" + text + "” of level " + level + " after level " + (k ? heads[k - 1][0] : 0)); });
  const ids = all("[id]").map((one) => one.id);
  ids.filter((id, k) => ids.indexOf(id) !== k).forEach((id) => wrong.push("id used twice: " + id));
  for (const kind of ["aria-labelledby", "aria-describedby", "aria-controls"])
    all("[" + kind + "]").forEach((one) => one.getAttribute(kind).split(/\s+/).forEach((id) => { if (!document.getElementById(id)) wrong.push(kind + " leads nowhere: " + told(one)); }));
  // -- names
  all("input:not([type=hidden]), select, textarea, button, a[href], summary, [tabindex='0'], progress, output").forEach((one) => { if (!named(one) && one.tagName !== "OUTPUT") wrong.push("no name: " + told(one)); });
  all("svg, img, canvas").forEach((one) => { if (!one.closest("[aria-hidden=true], [role=img][aria-label], svg[role=group][aria-label]") && !one.getAttribute("alt")) wrong.push("a picture without words: " + told(one)); });
  all("[tabindex]").forEach((one) => { if (Number(one.getAttribute("tabindex")) > 0) wrong.push("an order of its own: " + told(one)); });
  all("table").forEach((one) => { if (!one.querySelector("th") && !one.closest(".u-legend, .uplot")) wrong.push("a table without heads: " + told(one)); });
  all("*").filter((one) => seen(one) && (one.scrollWidth > one.clientWidth + 1 || one.scrollHeight > one.clientHeight + 1) && /auto|scroll/.test(getComputedStyle(one).overflow))
    .forEach((one) => { if (one.tagName !== "TEXTAREA" && one.tabIndex < 0 && !one.querySelector("a[href], button, input, select, [tabindex='0']")) wrong.push("scrolls, but not by the keyboard: " + told(one)); });
  // -- contrast
  const part = (v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
  const light = ([r, g, b]) => 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b);
  const colour = (text) => { const n = text.match(/[\d.]+/g).map(Number); return [n[0], n[1], n[2], n.length > 3 ? n[3] : 1]; };
  const over = (top, under) => [0, 1, 2].map((k) => top[k] * top[3] + under[k] * (1 - top[3]));
  function ground(one) {
    const layers = [];
    for (let at = one; at; at = at.parentElement) { const c = colour(getComputedStyle(at).backgroundColor); if (c[3] > 0) layers.push(c); if (c[3] === 1) break; }
    return layers.reverse().reduce((under, top) => over(top, under), [255, 255, 255]);
  }
  const ratio = (a, b) => { const [high, low] = [light(a), light(b)].sort((x, y) => y - x); return (high + 0.05) / (low + 0.05); };
  const faults = new Map();
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const one = walker.currentNode.parentElement;
    if (!walker.currentNode.data.trim() || !seen(one) || one.closest("script, style, noscript, option, .picture svg")) continue;
    const style = getComputedStyle(one), size = parseFloat(style.fontSize), large = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
    const behind = ground(one), ink = one.closest("svg") ? colour(style.fill) : colour(style.color);
    let opacity = 1;
    for (let at = one; at; at = at.parentElement) opacity *= Number(getComputedStyle(at).opacity);
    ink[3] *= opacity;
    const found = ratio(over(ink, behind), behind);
    if (found < (large ? 3 : 4.5)) faults.set(style.color + behind, "contrast " + found.toFixed(2) + ": “" + walker.currentNode.data.trim().slice(0, 30) + "” " + style.color + " on " + behind.map(Math.round));
  }
  wrong.push(...faults.values());
  // what the pictures draw: words at 4.5 on the panel and on a shaded stretch of it, lines and edges at 3
  const probe = document.createElement("i");
  document.body.append(probe);
  const of = (name) => { probe.style.color = "var(" + name + ")"; return colour(getComputedStyle(probe).color); };
  const panel = of("--panel").slice(0, 3), paper = of("--paper").slice(0, 3), shaded = over(of("--shade"), panel);
  for (const [name, least, behinds] of [["--ink", 4.5, [panel, shaded]], ["--soft", 4.5, [panel, paper]], ["--said", 4.5, [panel, shaded]], ["--c2", 3, [paper]], ...[1, 2, 3, 4, 5, 6, 7, 8].map((k) => ["--c" + k, 3, [panel, shaded]])])
    for (const behind of behinds) { const found = ratio(over(of(name), behind), behind); if (found < least) wrong.push("contrast " + found.toFixed(2) + " of " + name + " on " + behind.map(Math.round)); }
  probe.remove();
  return wrong;
})()
