// Samples of a sortie for its picture: the whole once; the whole again, finer, for the zooms to come; windows finer than that.
import { send } from "./forms.js";

const FINE = 4000; // extremes kept of the whole: windows down to a twelfth of it need no further question

export function samplesOf(home) {
  let names = [], fine = null, first = new AbortController(), waiting = new AbortController();

  async function ask(span, buckets, signal) {
    const asked = names;
    const address = home + "/samples?channels=" + encodeURIComponent(asked.join(",")) + "&form=binary&buckets=" + buckets + (span ? "&from=" + span[0].toFixed(3) + "&to=" + span[1].toFixed(3) : "");
    const answer = await fetch(address, { signal });
    if (!answer.ok) return send(address, { signal }); // says why
    return unpacked(await answer.arrayBuffer(), asked);
  }
  return {
    // The whole sortie of these channels, thin: what the first picture is drawn from.
    async whole(chosen, buckets) {
      first.abort(); waiting.abort();
      first = new AbortController();
      names = chosen; fine = null;
      return drawable(await ask(null, buckets, first.signal));
    },
    // The same, finer, fetched while nothing else is asked; without it every zoom asks the server, which is all that is lost.
    async deepen() {
      const asked = names;
      try {
        const came = await ask(null, FINE, first.signal);
        if (asked === names) fine = came;
      } catch { /* the next window is asked for */ }
    },
    // A window out of what is held, null when that is too coarse for so many buckets.
    held(span, buckets) {
      if (!fine) return null;
      const first = Math.max(0, place(fine.t, span[0]) - 1), last = Math.min(fine.t.length, place(fine.t, span[1]) + 1);
      return last - first < 2 * buckets ? null : drawable(thinned(fine, first, last, buckets));
    },
    // A window from the server; the one asked for before is given up.
    async window(span, buckets) {
      waiting.abort();
      waiting = new AbortController();
      return drawable(await ask(span, buckets, waiting.signal));
    },
    leave() { waiting.abort(); },
  };
}

// Index of the first time not before `when`; a drop-out's place has a time as well.
export function place(t, when) {
  let a = 0, b = t.length;
  while (a < b) { const middle = (a + b) >> 1; if (t[middle] < when) a = middle + 1; else b = middle; }
  return a;
}
// n times of 8 bytes, then n values of 4 bytes per channel; a drop-out is no number.
function unpacked(bytes, names) {
  const count = bytes.byteLength / (8 + 4 * names.length), channels = {};
  names.forEach((name, k) => { channels[name] = new Float32Array(bytes, 8 * count + 4 * k * count, count); });
  return { t: new Float64Array(bytes, 0, count), channels };
}
// As the server thins: of every bucket the lowest and the highest sample in the order they came; a hole in it stays open.
function thinned(data, first, last, buckets) {
  const step = Math.floor((last - first) / buckets), channels = {};
  if (step <= 2) return { t: data.t.slice(first, last), channels: Object.fromEntries(Object.entries(data.channels).map(([name, values]) => [name, values.slice(first, last)])) };
  const count = Math.ceil((last - first) / step), t = new Float64Array(2 * count);
  for (let k = 0; k < count; k++) {
    const a = first + k * step, size = Math.min(step, last - a);
    t[2 * k] = data.t[a + (size >> 2)]; t[2 * k + 1] = data.t[a + ((3 * size) >> 2)];
  }
  for (const [name, values] of Object.entries(data.channels)) channels[name] = extremes(values, first, last, step);
  return { t, channels };
}
function extremes(values, first, last, step) {
  const out = new Float32Array(2 * Math.ceil((last - first) / step));
  for (let a = first, k = 0; a < last; a += step, k += 2) {
    let low = Infinity, high = -Infinity, lowAt = a, highAt = a, holed = false;
    for (let i = a; i < Math.min(a + step, last); i++) {
      const v = values[i];
      if (v !== v) { holed = true; continue; }
      if (v < low) { low = v; lowAt = i; }
      if (v > high) { high = v; highAt = i; }
    }
    out[k] = high < low ? NaN : lowAt <= highAt ? low : high;
    out[k + 1] = holed ? NaN : lowAt <= highAt ? high : low;
  }
  return out;
}
// What is no number is a place left open: the picture knows it as null.
function drawable(data) {
  const channels = {};
  for (const [name, values] of Object.entries(data.channels)) {
    const out = channels[name] = new Array(values.length);
    for (let i = 0; i < values.length; i++) { const v = values[i]; out[i] = v === v ? v : null; }
  }
  return { t: data.t, channels };
}
