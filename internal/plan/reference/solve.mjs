// Answers planning problems with CP-SAT: one JSON request a line on standard
// input, one JSON answer a line on standard output. README.md tells the fields.

import { createInterface } from 'node:readline';
import { readFileSync } from 'node:fs';
import { CpSat } from 'or-tools-wasm/cp-sat';
import { build } from './model.mjs';

const engine = 'CP-SAT 9.15 (or-tools-wasm)'; // as its own log names it
const version = JSON.parse(readFileSync(new URL('./node_modules/or-tools-wasm/package.json', import.meta.url))).version;

async function answer({ Problem, Objective, Limit, Workers, Seed }) {
  const begun = performance.now();
  const seconds = () => (performance.now() - begun) / 1000;
  const improvements = [];
  const { model, read } = build(Problem, Objective);
  const bytes = await CpSat.createModel(model);
  const { response } = await CpSat.solve(
    bytes,
    { maxTimeInSeconds: Limit, numWorkers: Workers, randomSeed: Seed ?? 0 },
    { onSolution: (r) => improvements.push({ Seconds: seconds(), Objective: Number(r.objectiveValue ?? 0) }) },
  );
  const found = (response.solution ?? []).length > 0;
  return {
    Engine: engine,
    Version: version,
    Status: response.status,
    Objective: found ? Number(response.objectiveValue ?? 0) : 0,
    Bound: Number(response.bestObjectiveBound ?? 0),
    Seconds: seconds(),
    Improvements: improvements,
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
