// Lines of different clocks on one axis of times. undefined: no sample of this line there, drawn across; null: a drop-out,
// left open from the last sample before it to the first after it, however many times of other lines lie between.
export function overlay(lines, channel) {
  const times = [...new Set(lines.flatMap((one) => one.t))].filter((t) => t != null && t >= 0).sort((a, b) => a - b);
  const place = new Map(times.map((t, i) => [t, i]));
  const columns = lines.map((one) => {
    const out = new Array(times.length);
    one.t.forEach((t, i) => { const at = place.get(t); if (at !== undefined) out[at] = one.channels[channel][i]; });
    for (let i = 0; i < out.length; i++) {
      if (out[i] !== null) continue;
      for (let k = i - 1; k >= 0 && out[k] === undefined; k--) out[k] = null;
      while (i + 1 < out.length && out[i + 1] == null) out[++i] = null;
    }
    return out;
  });
  return { times, columns };
}
