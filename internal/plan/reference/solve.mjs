// Answers planning problems with CP-SAT: one JSON request a line on standard
// input, one JSON answer a line on standard output. README.md tells the fields.

import { createInterface } from 'node:readline';
import { readFileSync } from 'node:fs';
import { CpSat } from 'or-tools-wasm/cp-sat';
import { build } from './model.mjs';

const engine = 'CP-SAT 9.15 (or-tools-wasm)'; // as its own log names it
const version = JSON.parse(readFileSync(new URL('./node_modules/or-tools-wasm/package.json', import.meta.url))).version;

/**
 * When each better plan stood, after the solver's log: its callbacks come all
 * together at the end. The log counts from the start of the search.
 */
function improvements(log, from) {
  const lines = log.matchAll(/^#\d+\s+([\d.]+)s best:([-\d.e+]+)/gm);
  return [...lines].map(([, at, value]) => ({ Seconds: from + Number(at), Objective: Number(value) }));
}

async function answer({ Problem, Objective, Limit, Workers }) {
  const begun = performance.now();
  const seconds = () => (performance.now() - begun) / 1000;
  const { model, read } = build(Problem, Objective);
  const bytes = await CpSat.createModel(model);
  const built = seconds();
  const log = [];
  // Probing takes half the time of these models and more, and proves no more.
  const { response } = await CpSat.solve(
    bytes,
    { maxTimeInSeconds: Limit, numWorkers: Workers, cpModelProbingLevel: 0, logSearchProgress: true, logToStdout: false },
    { onLog: (text) => log.push(text) },
  );
  const found = (response.solution ?? []).length > 0;
  return {
    Engine: engine,
    Version: version,
    Status: response.status,
    Objective: found ? Number(response.objectiveValue ?? 0) : 0,
    Bound: Number(response.bestObjectiveBound ?? 0),
    Seconds: seconds(),
    Improvements: improvements(log.join('\n'), built),
    Plan: found ? read(response.solution) : null,
  };
}

for await (const line of createInterface({ input: process.stdin })) {
  let out;
  try {
    out = await answer(JSON.parse(line));
  } catch (e) {
    out = { Engine: engine, Version: version, Error: String(e?.message ?? e) };
  }
  process.stdout.write(JSON.stringify(out) + '\n');
}
process.exit(0);
