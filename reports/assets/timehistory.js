// Linked time histories over the lanes of configuration: one x range for all of them.
"use strict";
(function () {
  const data = JSON.parse(document.getElementById("history").textContent);
  const box = document.getElementById("charts");
  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const LEFT = 66, RIGHT = 14;
  const charts = [];
  const lanesShown = [{ name: "events", runs: data.events.map((e) => ({ start: e.time, stop: e.stop, value: e.label, tone: "tick" })) }, ...data.lanes];
  const full = [data.t[0], data.t[data.t.length - 1]];
  let range = full.slice();
  let busy = false;

  function setRange(min, max) {
    const least = 4;
    if (max - min < least) { const mid = (min + max) / 2; min = mid - least / 2; max = mid + least / 2; }
    min = Math.max(min, full[0]); max = Math.min(max, full[1]);
    range = [min, max];
    busy = true;
    charts.forEach((c) => c.setScale("x", { min, max }));
    busy = false;
    placeLanes();
  }

  const two = (v) => String(v).padStart(2, "0");
  function clock(sec, digits) {
    const d = new Date(sec * 1000);
    let s = two(d.getUTCHours()) + ":" + two(d.getUTCMinutes());
    if (digits > 0) s += ":" + two(d.getUTCSeconds());
    if (digits > 1) s += "." + Math.floor(d.getUTCMilliseconds() / 100);
    return s;
  }

  function marks(u) {
    const ctx = u.ctx, top = u.bbox.top, height = u.bbox.height;
    ctx.save();
    ctx.beginPath(); ctx.rect(u.bbox.left, top, u.bbox.width, height); ctx.clip();
    if (document.getElementById("with-refused").checked) {
      ctx.fillStyle = css("--refused");
      data.refused.forEach((p) => {
        const a = u.valToPos(p.start, "x", true), b = u.valToPos(p.stop, "x", true);
        ctx.fillRect(a, top, b - a, height);
      });
    }
    data.points.forEach((p) => {
      const a = u.valToPos(p.start, "x", true), b = u.valToPos(p.stop, "x", true);
      ctx.fillStyle = css("--shade"); ctx.fillRect(a, top, b - a, height);
      ctx.fillStyle = css("--shade-line"); ctx.fillRect(a, top, 1, height); ctx.fillRect(b - 1, top, 1, height);
      if (u === charts[0] || charts.length === 0) {
        ctx.fillStyle = css("--ink"); ctx.font = 11 * devicePixelRatio + "px sans-serif"; ctx.textAlign = "center";
        ctx.fillText(String(p.number), (a + b) / 2, top + 12 * devicePixelRatio);
      }
    });
    ctx.restore();
  }

  // Lines across the panels only when there is room for them; the strip above always shows every event.
  function eventMarks(u) {
    if (!document.getElementById("with-events").checked || range[1] - range[0] > 900) return;
    const ctx = u.ctx, top = u.bbox.top, height = u.bbox.height;
    ctx.save();
    ctx.beginPath(); ctx.rect(u.bbox.left, top, u.bbox.width, height); ctx.clip();
    ctx.strokeStyle = css("--c2"); ctx.fillStyle = css("--c2"); ctx.lineWidth = devicePixelRatio;
    ctx.setLineDash([3 * devicePixelRatio, 3 * devicePixelRatio]);
    ctx.font = 10 * devicePixelRatio + "px sans-serif"; ctx.textAlign = "left";
    data.events.forEach((e) => {
      const x = Math.round(u.valToPos(e.time, "x", true)) + 0.5;
      ctx.beginPath(); ctx.moveTo(x, top); ctx.lineTo(x, top + height); ctx.stroke();
      if (u === charts[0]) {
        ctx.save(); ctx.translate(x + 9 * devicePixelRatio, top + height - 4 * devicePixelRatio); ctx.rotate(-Math.PI / 2); ctx.fillText(e.label, 0, 0); ctx.restore();
      }
    });
    ctx.restore();
  }

  // The y range of what is in view. A handful of samples far outside all others (spikes) leave the picture
  // at its edge instead of pressing everything else flat.
  function extent(panel) {
    const values = [];
    panel.series.forEach((s) => data.channels[s.channel].forEach((v, i) => { if (v != null && data.t[i] >= range[0] && data.t[i] <= range[1]) values.push(v); }));
    if (!values.length) return [0, 1];
    values.sort((a, b) => a - b);
    const at = (q) => values[Math.min(values.length - 1, Math.floor(q * values.length))];
    let low = values[0], high = values[values.length - 1];
    const usual = Math.max(at(0.995) - at(0.005), 1e-9);
    if (high > at(0.995) + 2 * usual) high = at(0.995) + 0.2 * usual;
    if (low < at(0.005) - 2 * usual) low = at(0.005) - 0.2 * usual;
    const pad = Math.max(0.06 * (high - low), 0.5 * Math.pow(10, -panel.digits));
    return [low - (low >= 0 && low < 0.25 * high ? low : pad), high + pad];
  }

  const colours = ["--c1", "--c2", "--c3", "--c4"];
  data.panels.forEach((panel, index) => {
    const last = index === data.panels.length - 1;
    const series = [{ label: "UTC", value: (u, v) => (v == null ? "–" : clock(v, 2)) }];
    panel.series.forEach((s, k) => series.push({
      label: s.label, stroke: () => css(colours[k % 4]), width: 1.2, dash: k % 4 === 1 ? [6, 3] : k % 4 === 2 ? [2, 3] : undefined,
      spanGaps: false, points: { show: false }, value: (u, v) => (v == null ? "–" : v.toFixed(panel.digits) + " " + panel.unit),
    }));
    const axis = { stroke: () => css("--soft"), grid: { stroke: () => css("--line"), width: 1 }, ticks: { stroke: () => css("--line"), width: 1 }, font: "11px sans-serif" };
    const host = document.createElement("div");
    box.insertBefore(host, document.getElementById("lanes"));
    if (index) host.className = "follows"; // the time stands in the first legend only
    host.setAttribute("role", "img");
    host.setAttribute("aria-label", panel.title + " in " + panel.unit + " against UTC");
    const chart = new uPlot({
      width: box.clientWidth - 18, height: last ? 168 : 146, padding: [6, RIGHT, 0, 0],
      cursor: { sync: { key: "sortie" }, drag: { x: true, y: false, setScale: false }, points: { size: 5 } },
      legend: { live: true },
      scales: { x: { time: false, auto: false, min: full[0], max: full[1] }, y: { range: () => extent(panel) } },
      axes: [
        { ...axis, size: last ? 30 : 14, values: (u, v) => v.map((x) => (last ? clock(x, range[1] - range[0] < 300 ? 1 : 0) : "")), space: 70, incrs: [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600] },
        { ...axis, size: LEFT, label: panel.title + " [" + panel.unit + "]", labelSize: 16, labelFont: "11px sans-serif" },
      ],
      series,
      hooks: {
        drawClear: [marks], draw: [eventMarks],
        setSelect: [(u) => { if (u.select.width > 4) { const a = u.posToVal(u.select.left, "x"), b = u.posToVal(u.select.left + u.select.width, "x"); u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false); setRange(a, b); } }],
        ready: [(u) => u.over.addEventListener("dblclick", () => setRange(full[0], full[1]))],
      },
    }, [data.t, ...panel.series.map((s) => data.channels[s.channel])], host);
    charts.push(chart);
  });

  function plotEdges() {
    const u = charts[0], host = u.root.getBoundingClientRect(), over = u.over.getBoundingClientRect();
    return [over.left - host.left, over.width];
  }

  function placeLanes() {
    const [left, width] = plotEdges();
    document.querySelectorAll(".lane").forEach((lane) => {
      lane.style.left = left + "px"; lane.style.width = width + "px";
      const runs = lanesShown[Number(lane.dataset.lane)].runs;
      lane.textContent = "";
      runs.forEach((r) => {
        if (r.stop < range[0] || r.start > range[1]) return;
        const a = (Math.max(r.start, range[0]) - range[0]) / (range[1] - range[0]) * width;
        const b = (Math.min(r.stop, range[1]) - range[0]) / (range[1] - range[0]) * width;
        const item = document.createElement("span");
        item.className = r.tone; item.style.left = a + "px"; item.style.width = Math.max(2, b - a) + "px";
        item.title = lanesShown[Number(lane.dataset.lane)].name + ": " + r.value + "  " + clock(r.start, 2) + " – " + clock(r.stop, 2);
        if (b - a > 7 * r.value.length + 4) item.textContent = r.value;
        lane.appendChild(item);
      });
    });
  }

  const lanes = document.getElementById("lanes");
  lanesShown.forEach((lane, k) => {
    const row = document.createElement("div"); row.className = "lane-box";
    const name = document.createElement("span"); name.className = "lane-name"; name.textContent = lane.name; row.appendChild(name);
    const bar = document.createElement("div"); bar.className = "lane"; bar.dataset.lane = String(k); row.appendChild(bar);
    bar.setAttribute("role", "img"); bar.setAttribute("aria-label", lane.name + " state against UTC");
    lanes.appendChild(row);
  });

  function goTo(row) {
    const a = Number(row.dataset.start), b = Number(row.dataset.stop), margin = Math.max(20, 0.6 * (b - a));
    setRange(a - margin, b + margin);
    document.getElementById("charts").scrollIntoView({ block: "start" });
  }
  document.querySelectorAll("tr[data-start]").forEach((row) => {
    row.tabIndex = 0;
    row.addEventListener("click", () => goTo(row));
    row.addEventListener("keydown", (e) => { if (e.key === "Enter") goTo(row); });
  });
  ["with-refused", "with-events"].forEach((id) => document.getElementById(id).addEventListener("change", () => charts.forEach((c) => c.redraw(false))));

  let current = -1;
  document.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const span = range[1] - range[0], mid = (range[0] + range[1]) / 2;
    if (e.key === "ArrowRight" || e.key === "ArrowLeft") {
      const shift = Math.max(full[0] - range[0], Math.min(full[1] - range[1], (e.key === "ArrowRight" ? 0.25 : -0.25) * span));
      setRange(range[0] + shift, range[1] + shift); e.preventDefault();
    }
    else if (e.key === "+") setRange(mid - span / 4, mid + span / 4);
    else if (e.key === "-") setRange(mid - span, mid + span);
    else if (e.key === "0") setRange(full[0], full[1]);
    else if ((e.key === "n" || e.key === "p") && data.points.length) {
      current = (current + (e.key === "n" ? 1 : -1) + data.points.length) % data.points.length;
      const q = data.points[current], margin = Math.max(20, 0.6 * (q.stop - q.start));
      setRange(q.start - margin, q.stop + margin);
    }
  });
  window.addEventListener("resize", () => { charts.forEach((c) => c.setSize({ width: box.clientWidth - 18, height: c.height })); placeLanes(); });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => charts.forEach((c) => c.redraw(false)));
  placeLanes();
})();
