// A whole visit to oven PK-0412 of Potluck Kitchens: complaint, checks, repair, proof.
//
// Needs Node 20 and nothing else. OHMPATH_URL and OHMPATH_KEY say where the service is, and with
// which key it is asked. oven.json stands for the technician: it has what each check would read.

import { readFile } from "node:fs/promises";

const BASE = process.env.OHMPATH_URL ?? "http://127.0.0.1:8080";
const KEY = process.env.OHMPATH_KEY;
const HEADERS = { "Content-Type": "application/json", ...(KEY && { Authorization: `Bearer ${KEY}` }) };
const MOST_STEPS = 60; // a reading that the service cannot use is asked for again, without end

const told = new Set(); // precautions that have been shown in full
let steps = 0;

// The assessment of a case. A problem ends the visit: what is wrong, and where in the case.
async function ask(visit) {
  const response = await fetch(`${BASE}/v1/assessments`, {
    method: "POST",
    headers: HEADERS,
    body: JSON.stringify(visit),
    signal: AbortSignal.timeout(30_000),
  }).catch((error) => fail(`${BASE}: ${error.cause?.message ?? error.message}`));
  if (response.ok) return response.json();
  if (!response.headers.get("Content-Type")?.startsWith("application/problem+json")) {
    fail(`${BASE}: ${response.status} ${response.statusText}`);
  }
  const problem = await response.json();
  const wrong = problem.errors.map((one) => `${one.pointer}: ${one.message}`);
  const said = (wrong.length ? wrong : [problem.detail]).join("\n  ");
  fail(`${problem.status} ${problem.title}\n  ${said}`);
}

function fail(message) {
  console.error(message);
  process.exit(1);
}

// In full the first time and as long as they are to be confirmed, by name from then on.
// Those of the whole answer: a verdict has some, and no `next_check`.
function showPrecautions(answer) {
  const now = answer.precautions.filter((one) => one.applies_now);
  const inFull = (one) => !told.has(one.id) || (one.must_confirm && !one.confirmed);
  const byName = now.filter((one) => !inFull(one)).map((one) => one.id);
  if (byName.length) console.log(`    as before: ${byName.join(", ")}`);
  for (const one of now.filter(inFull)) {
    console.log(`    ${one.signal_word} ${one.id}: ${one.text}`);
    told.add(one.id);
  }
}

// Do what `next_check` says until there is none. The last answer; `visit` has grown.
async function follow(visit, readings) {
  for (;;) {
    const answer = await ask(visit);
    if (answer.status !== "check-next") return answer;
    const step = answer.next_check;
    if (++steps > MOST_STEPS) fail(`${step.id} is asked for again and again`);
    console.log(`${steps}. ${step.title}`);
    showPrecautions(answer); // before anything is done
    for (const line of step.how) console.log(`    - ${line}`);

    const reading = readings[step.id];
    if (step.kind === "preparation") {
      const kept = visit.confirmed.filter((one) => !step.withdraws.includes(one.id));
      visit.confirmed = [...kept, ...step.confirms];
      console.log(`    = done, ${step.confirms[0].id}`);
    } else if (plates[step.id]) {
      Object.assign(visit.nameplate, plates[step.id]);
      console.log("    = read");
    } else if (reading) {
      visit.readings.push({ check: step.id, ...reading });
      console.log(`    = ${shown(reading)}`);
      for (const one of step.also.filter(({ id }) => readings[id])) {
        visit.readings.push({ check: one.id, ...readings[one.id] }); // seen or heard meanwhile
        console.log(`    + ${one.title}: ${shown(readings[one.id])}`);
      }
    } else {
      visit.unavailable.push(step.id);
      console.log("    = cannot be done here");
    }
  }
}

function shown(reading) {
  if (reading.observed) return reading.observed;
  return reading.over_range ? "over range" : `${reading.value} ${reading.unit}`;
}

function because(answer) {
  return `${answer.status}: ${answer.reasons.map((one) => one.text).join("; ")}`;
}

const oven = JSON.parse(await readFile(new URL("oven.json", import.meta.url), "utf8"));
const { case: visit, plates } = oven;
console.log(`${visit.case_id}: ${visit.symptom}`);

const found = await follow(visit, oven.readings);
if (found.status !== "fault-found") fail(because(found));
const verdict = found.verdict;
const sure = Math.round(verdict.confidence * 100);
console.log(`fault-found: ${verdict.title}, ${verdict.fault} (${sure}%)`);
showPrecautions(found);
console.log(`    - ${verdict.remedy.action}`);
console.log(`    parts: ${Object.values(verdict.part_titles).join("; ")}`);

visit.phase = "verify-repair";
visit.repairs = [verdict, ...verdict.also_found].map((one) => ({
  remedy: one.remedy.id,
  readings_before: visit.readings.length,
}));
const proven = await follow(visit, { ...oven.readings, ...oven.readings_after_repair });
if (proven.status !== "released") fail(because(proven));
console.log(because(proven));
