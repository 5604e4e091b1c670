// The planning problem as a CP-SAT model. Written from the rules of the planner's
// Validate, not from the planner, and exact: no grid, no relaxation.

import { NEVER, booked, intersect, merge, present, subtract, ways } from './calendar.mjs';

const MOST_CREWS = 2000; // ways to man one step; more are refused, not sampled

/** A CP-SAT model under construction: plain protocol-buffer objects. */
class Builder {
  variables = [];
  constraints = [];

  int(lo, hi) {
    return this.variables.push({ domain: [lo, hi] }) - 1;
  }
  /** A variable over the ranges [start, end). */
  over(ranges) {
    if (ranges.length === 0) {
      this.add({ boolOr: { literals: [] } }); // never: the problem has no plan
      return this.int(0, 0);
    }
    return this.variables.push({ domain: ranges.flatMap(([s, e]) => [s, e - 1]) }) - 1;
  }
  bool() {
    return this.int(0, 1);
  }
  add(constraint) {
    return this.constraints.push(constraint) - 1;
  }
  /** lo <= sum of coeffs * vars <= hi, if the literal holds. */
  linear(vars, coeffs, lo, hi, literal) {
    this.add({ linear: { vars, coeffs, domain: [lo, hi] }, ...(literal === undefined ? {} : { enforcementLiteral: [literal] }) });
  }
  /** a + gap <= b, or a + gap = b. */
  before(a, b, gap, exactly) {
    this.linear([b, a], [1, -1], gap, exactly ? gap : NEVER);
  }
  /** The variable lies in the ranges [start, end), if the literal holds. */
  within(variable, ranges, literal) {
    this.add({ linear: { vars: [variable], coeffs: [1], domain: ranges.flatMap(([s, e]) => [s, e - 1]) }, enforcementLiteral: [literal] });
  }
  interval({ start, size, end }, literal) {
    const of = (v) => ({ vars: [v], coeffs: [1] });
    return this.add({
      interval: { start: of(start), size: of(size), end: of(end) },
      ...(literal === undefined ? {} : { enforcementLiteral: [literal] }),
    });
  }
  fixed([start, end]) {
    return this.add({ interval: { start: { offset: start }, size: { offset: end - start }, end: { offset: end } } });
  }
  span(ranges, sizes) {
    const span = { start: this.over(ranges), size: this.over(sizes), end: this.int(0, this.horizon) };
    this.linear([span.start, span.size, span.end], [1, 1, -1], 0, 0);
    return span;
  }
}

/** Every choice of n out of the list. */
function* choose(list, n, from = 0) {
  if (n === 0) yield [];
  for (let i = from; n > 0 && i + n <= list.length; i++) {
    for (const rest of choose(list, n - 1, i + 1)) yield [list[i], ...rest];
  }
}

/** Every crew of a step, no person twice: each a list of members by claim. */
function crews(claims) {
  let out = [[]];
  for (const c of claims) {
    const next = new Map();
    for (const got of out) {
      for (const units of choose(c.Eligible ?? [], c.Count)) {
        if (units.some((u) => got.flat().includes(u))) continue;
        const crew = [...got, units];
        const key = crew.flat().sort((a, b) => a - b).join();
        if (!next.has(key)) next.set(key, crew);
        if (next.size > MOST_CREWS) throw new Error(`more than ${MOST_CREWS} crews for one step`);
      }
    }
    out = [...next.values()];
  }
  return out;
}

/** Refuses what the model does not express. */
function inspect(p) {
  const crew = new Set();
  const held = new Set();
  for (const c of p.Claims ?? []) for (const u of c.Eligible ?? []) (c.Crew ? crew : held).add(u);
  if ([...crew].some((u) => held.has(u))) throw new Error('a unit is both a member of crews and held');
  if (p.Steps.some((s) => s.Duration === 0)) throw new Error('a step takes no time');
  if ((p.Jobs ?? []).some((j) => !Number.isInteger(j.Weight))) throw new Error('a weight is not whole');
}

/**
 * Builds the model of a problem. The objective is "finish", the end of the last
 * step, or "late", the weighted minutes past the promises. `read` turns the
 * values of a solution into places and units.
 */
export function build(p, objective) {
  inspect(p);
  const b = new Builder();
  b.horizon = p.Horizon;
  const claims = p.Claims ?? [];
  const onUnit = p.Units.map(() => []); // intervals that exclude one another
  const serves = claims.map(() => []); // by claim: [unit, literal]
  const steps = p.Steps.map((_, i) => step(b, p, i, claims.filter((c) => c.Crew && c.Steps[0] === i), serves));

  for (const a of p.Arcs ?? []) b.before(steps[a.From].end, steps[a.To].start, a.Lag, a.Joined);

  const spans = new Map();
  const alike = new Map(); // claims on the same choice of units
  claims.forEach((c, i) => {
    const key = c.Steps.join();
    if (!spans.has(key)) spans.set(key, hold(b, steps, c.Steps));
    const at = spans.get(key);
    if (!c.Crew) {
      serves[i] = (c.Eligible ?? []).map((u) => [u, b.bool()]);
      b.linear(serves[i].map(([, l]) => l), serves[i].map(() => 1), c.Count, c.Count);
      for (const [u, l] of serves[i]) if (p.Units[u].Expiry <= p.Horizon) b.linear([at.end], [1], 0, p.Units[u].Expiry, l);
    }
    for (const [u, l] of serves[i]) onUnit[u].push(b.interval(at, l));
    const same = (c.Eligible ?? []).join();
    alike.set(same, [...(alike.get(same) ?? []), [c, at]]);
  });

  const held = new Set(claims.filter((c) => !c.Crew).flatMap((c) => c.Eligible ?? []));
  onUnit.forEach((intervals, u) => {
    if (intervals.length === 0) return;
    // People's shifts and bookings are in the ways their steps can run.
    const away = held.has(u) ? subtract([[0, p.Horizon]], subtract(present(p.Units[u]), booked(p.Units[u]))) : [];
    b.add({ noOverlap: { intervals: [...intervals, ...away.map((w) => b.fixed(w))] } });
  });
  for (const list of alike.values()) together(b, list);
  pools(b, p, steps);
  goal(b, p, steps, objective);

  const model = { variables: b.variables, constraints: b.constraints, objective: b.objective };
  const read = (values) => ({
    Steps: steps.map((s) => ({ Start: Number(values[s.start]), End: Number(values[s.end]) })),
    Units: serves.map((list) => list.filter(([, l]) => Number(values[l]) === 1).map(([u]) => u)),
  });
  return { model, read };
}

/** Places a step: one literal for each crew and each length of pauses. */
function step(b, p, i, crewClaims, serves) {
  const s = p.Steps[i];
  const earliest = s.Frozen ? Math.max(s.At, s.Release) : s.Release;
  const latest = s.Frozen ? Math.min(s.At, p.Horizon) : p.Horizon;
  const allowed = (ranges, size) => intersect(ranges, [[earliest, Math.min(latest, p.Horizon - size) + 1]]);
  if (crewClaims.length === 0) {
    const starts = allowed([[0, p.Horizon + 1]], s.Duration);
    return b.span(starts, [[s.Duration, s.Duration + 1]]);
  }
  const options = [];
  for (const crew of crews(crewClaims)) {
    const units = crew.flat().map((u) => p.Units[u]);
    const windows = units.map(present).reduce(intersect, [[0, p.Horizon]]);
    const lapse = Math.min(...units.map((u) => u.Expiry));
    for (const [size, ranges] of ways(windows, s.Duration, s.Unbroken)) {
      // A booking of any member keeps the whole step away, pauses included.
      const away = merge(units.flatMap(booked).map(([from, to]) => [from - size + 1, to]));
      const starts = intersect(subtract(allowed(ranges, size), away), [[0, Math.max(0, lapse - size + 1)]]);
      if (starts.length > 0) options.push({ crew, size, starts, literal: b.bool() });
    }
  }
  const at = b.span(merge(options.flatMap((o) => o.starts)), merge(options.map((o) => [o.size, o.size + 1])));
  b.add({ exactlyOne: { literals: options.map((o) => o.literal) } });
  for (const o of options) {
    b.linear([at.size], [1], o.size, o.size, o.literal);
    b.within(at.start, o.starts, o.literal);
  }
  crewClaims.forEach((c, k) => {
    const claim = p.Claims.indexOf(c);
    for (const u of c.Eligible) {
      const uses = options.filter((o) => o.crew[k].includes(u)).map((o) => o.literal);
      if (uses.length === 0) continue;
      const l = b.bool();
      b.linear([...uses, l], [...uses.map(() => 1), -1], 0, 0);
      serves[claim].push([u, l]);
    }
  });
  return at;
}

/** What a claim keeps its units for: it covers all of its steps. */
function hold(b, steps, of) {
  if (of.length === 1) return steps[of[0]];
  const at = b.span([[0, b.horizon + 1]], [[0, b.horizon + 1]]);
  for (const i of of) {
    b.before(at.start, steps[i].start, 0);
    b.before(steps[i].end, at.end, 0);
  }
  return at;
}

/** Claims on one choice of units share its number: implied, but a help. */
function together(b, list) {
  const capacity = list[0][0].Eligible?.length ?? 0;
  if (list.length < 2 || capacity < 2) return;
  b.add({
    cumulative: {
      capacity: { offset: capacity },
      intervals: list.map(([, at]) => b.interval(at)),
      demands: list.map(([c]) => ({ offset: c.Count })),
    },
  });
}

function pools(b, p, steps) {
  (p.Pools ?? []).forEach((pool, k) => {
    const uses = (p.Uses ?? []).filter((u) => u.Pool === k && u.Amount > 0);
    b.add({
      cumulative: {
        capacity: { offset: pool.Capacity },
        intervals: uses.map((u) => b.interval(steps[u.Step])),
        demands: uses.map((u) => ({ offset: u.Amount })),
      },
    });
  });
}

function goal(b, p, steps, objective) {
  if (objective === 'finish') {
    const last = b.int(0, p.Horizon);
    for (const s of steps) b.before(s.end, last, 0);
    b.objective = { vars: [last], coeffs: [1] };
    return;
  }
  b.objective = { vars: [], coeffs: [] };
  (p.Jobs ?? []).forEach((job, j) => {
    if (job.Due >= p.Horizon || job.Weight === 0) return;
    const late = b.int(0, Math.max(0, p.Horizon - job.Due));
    steps.forEach((s, i) => {
      if (p.Steps[i].Job === j) b.before(s.end, late, -job.Due);
    });
    b.objective.vars.push(late);
    b.objective.coeffs.push(job.Weight);
  });
}
