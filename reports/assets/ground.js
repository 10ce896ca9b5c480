// The way over the ground, north up, one scale both ways, no map beneath: nothing is fetched from anywhere.
const SVG = "http://www.w3.org/2000/svg", NAUTICAL_MILE = 1852, WIDTH = 400, HEIGHT = 300, EDGE = 22;

export function groundTrack(place, picture) {
  const track = picture.track;
  if (!track) { place.textContent = "No positions were recorded."; place.className = "hint"; return { see() {}, here() {} }; }
  const known = track.t.map((_, i) => i).filter((i) => track.t[i] != null);
  const east = known.map((i) => track.x[i]), north = known.map((i) => track.y[i]);
  const low = [Math.min(...east), Math.min(...north)], high = [Math.max(...east), Math.max(...north)];
  const scale = Math.min((WIDTH - 2 * EDGE) / Math.max(high[0] - low[0], 50), (HEIGHT - 2 * EDGE) / Math.max(high[1] - low[1], 50));
  const at = (i) => [(WIDTH - (high[0] - low[0]) * scale) / 2 + (track.x[i] - low[0]) * scale, HEIGHT - (HEIGHT - (high[1] - low[1]) * scale) / 2 - (track.y[i] - low[1]) * scale];

  function path(from, to) {
    let text = "", up = true;
    for (let i = 0; i < track.t.length; i++) {
      const t = track.t[i];
      if (t == null) { up = true; continue; }
      if (t < from || t > to) { if (t > to) break; continue; }
      const [x, y] = at(i);
      text += (up ? "M" : "L") + x.toFixed(1) + " " + y.toFixed(1);
      up = false;
    }
    return text || "M0 0";
  }
  function draw(tag, attributes, words) {
    const made = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    if (words) made.textContent = words;
    svg.append(made);
    return made;
  }
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "0 0 " + WIDTH + " " + HEIGHT);
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", "Ground track, north up; thick where a point is steady, dark for what the time histories show");
  draw("path", { class: "way", d: path(-Infinity, Infinity) });
  picture.points.filter((p) => p.accepted).forEach((p) => draw("path", { class: "steady", d: path(p.start, p.stop) }));
  const seen = draw("path", { class: "seen", d: "M0 0" });
  const [x0, y0] = at(known[0]), [x1, y1] = at(known[known.length - 1]);
  draw("text", { x: x0 + 5, y: y0 - 5 }, "begins");
  if (Math.hypot(x1 - x0, y1 - y0) > 45) draw("text", { x: x1 + 5, y: y1 + 12 }, "ends");
  const whole = (WIDTH - 2 * EDGE) / scale / NAUTICAL_MILE, length = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100].filter((v) => v <= whole / 3).pop() || 0.1;
  draw("path", { class: "rule", d: "M8 " + (HEIGHT - 8) + "h" + (length * NAUTICAL_MILE * scale).toFixed(1) });
  draw("text", { x: 8, y: HEIGHT - 13 }, length + " nm");
  draw("path", { class: "rule", d: "M" + (WIDTH - 12) + " 26V8l-4 6m4-6l4 6", fill: "none" });
  draw("text", { x: WIDTH - 16, y: 39 }, "N");
  const dot = draw("circle", { class: "here", r: 5, cx: -20, cy: -20 });
  place.append(svg);
  return {
    see(range) { seen.setAttribute("d", path(range[0], range[1])); },
    here(time) {
      if (time == null) return;
      let best = known[0];
      for (const i of known) { if (track.t[i] > time) break; best = i; }
      const [x, y] = at(best);
      dot.setAttribute("cx", x); dot.setAttribute("cy", y);
    },
  };
}
