// Ranges of minutes: sorted, disjoint arrays of [start, end), as in the planner.

export const NEVER = 2 ** 31 - 1;

/** The union of ranges, without empty or touching ones. */
export function merge(ranges) {
  const out = [];
  for (const [start, end] of [...ranges].sort((a, b) => a[0] - b[0])) {
    if (start >= end) continue;
    const last = out.at(-1);
    if (last && start <= last[1]) last[1] = Math.max(last[1], end);
    else out.push([start, end]);
  }
  return out;
}

/** What is left of the merged ranges `from` without the merged ranges `away`. */
export function subtract(from, away) {
  const out = [];
  for (const [start, end] of from) {
    let at = start;
    for (const [s, e] of away) {
      if (e <= at || s >= end) continue;
      if (s > at) out.push([at, s]);
      at = Math.max(at, e);
    }
    if (at < end) out.push([at, end]);
  }
  return out;
}

/** What two lists of merged ranges have in common. */
export function intersect(a, b) {
  const out = [];
  for (let i = 0, j = 0; i < a.length && j < b.length; ) {
    const start = Math.max(a[i][0], b[j][0]);
    const end = Math.min(a[i][1], b[j][1]);
    if (start < end) out.push([start, end]);
    if (a[i][1] < b[j][1]) i++;
    else j++;
  }
  return out;
}

const pairs = (list) => (list ?? []).map((w) => [w.Start, w.End]);

/** When a unit is there at all; bookings do not count. */
export const present = (unit) => subtract(merge(pairs(unit.Open)), merge(pairs(unit.Shut)));

/** What stands in the unit's book. */
export const booked = (unit) => merge(pairs(unit.Busy));

/**
 * Every way to work `duration` minutes inside the windows. A way that takes
 * `size` minutes from start to end, pauses included, can start in `starts`:
 * Map(size -> ranges of starts). The first and the last minute are worked.
 */
export function ways(windows, duration, unbroken) {
  const bySize = new Map();
  for (let i = 0; i < windows.length; i++) {
    let size = duration;
    for (let j = i; j < windows.length; j++) {
      if (j > i) size += windows[j][0] - windows[j - 1][1];
      const lo = Math.max(windows[i][0], windows[j][0] + 1 - size);
      const hi = Math.min(windows[i][1] - 1, windows[j][1] - size);
      if (windows[j][0] + 1 - size > windows[i][1] - 1) break;
      if (lo <= hi) bySize.set(size, [...(bySize.get(size) ?? []), [lo, hi + 1]]);
      if (unbroken) break;
    }
  }
  for (const [size, starts] of bySize) bySize.set(size, merge(starts));
  return bySize;
}
