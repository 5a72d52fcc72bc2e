/**
 * A whole visit by the generated client: complaint, checks, repair, proof. Its types are enough.
 *
 * usage: node visit.js URL TOKEN
 *
 * The same oven and the same output as in visit.py.
 */
import { createClient, type Client } from "./client/client/index.js";
import { assessBatch, assessCase } from "./client/sdk.gen.js";
import type {
  Assessment,
  BatchCase,
  Case,
  Confirmed,
  NextCheck,
  Reading,
  Repair,
} from "./client/types.gen.js";

const MOST_STEPS = 80;

const NAMEPLATE: Case["nameplate"] = {
  supply_voltage: { value: 230, unit: "V" },
  rated_output: { value: 800, unit: "W" },
  high_voltage_supply: "transformer",
};

const HEALTHY: Reading[] = [
  { check: "display", observed: "lit" },
  { check: "keypad", observed: "responds" },
  { check: "lamp", observed: "lit" },
  { check: "cooling-fan", observed: "turning" },
  { check: "turntable", observed: "turning" },
  { check: "door-latch", observed: "seated" },
  { check: "reassembly", observed: "complete" },
  { check: "interlock-function", observed: "stops" },
  { check: "outlet-voltage", value: 230.4, unit: "V" },
  { check: "primary-interlock-switch", value: 0.2, unit: "Ohm" },
  { check: "secondary-interlock-switch", value: 0.2, unit: "Ohm" },
  { check: "monitor-switch-door-open", value: 0.2, unit: "Ohm" },
  { check: "earth-continuity", value: 0.1, unit: "Ohm" },
  { check: "capacitor-resistance", value: 10.1, unit: "MOhm" },
  { check: "primary-interlock-switch-door-open", over_range: true },
  { check: "secondary-interlock-switch-door-open", over_range: true },
  { check: "monitor-switch", over_range: true },
  { check: "diode-reverse", over_range: true },
  { check: "oscillation-indicator", observed: "lit" },
  { check: "magnetron-filament-resistance", value: 0.4, unit: "Ohm" },
  {
    check: "water-load-power",
    inputs: {
      method: "one-litre",
      start_temperature: { value: 10.2, unit: "Cel" },
      end_temperature: { value: 21.6, unit: "Cel" },
      time: { value: 60, unit: "s" },
      thermometer: { value: 0.2, unit: "K" },
    },
  },
  {
    check: "leakage-survey",
    value: 0.2,
    unit: "mW/cm2",
    conditions: {
      load_volume: { value: 275, unit: "mL" },
      load_temperature: { value: 20, unit: "Cel" },
      probe_distance: { value: 5, unit: "cm" },
      instrument_calibration: "within-12-months",
    },
  },
];
const FAULTY: Reading[] = [
  { check: "oscillation-indicator", observed: "dark" },
  { check: "magnetron-filament-resistance", over_range: true },
];

/** What each check would give; of two readings of a check the later one. */
function table(...readings: Reading[]): Map<string, Reading> {
  return new Map(readings.map((one) => [one.check, one]));
}

/** A visit so far. Every request says all of it. */
class Visit {
  phase: Case["phase"] = "diagnose";
  readings: Reading[] = [];
  confirmed: Confirmed[] = [];
  unavailable: string[] = [];
  repairs: Repair[] = [];
  asked: string[] = [];

  constructor(
    readonly client: Client,
    public oven: Map<string, Reading>,
  ) {}

  /** What the service says to that. Throws for a problem. */
  async assess(): Promise<Assessment> {
    const body: Case = {
      equipment: "microwave-oven",
      symptom: "no-heat",
      nameplate: NAMEPLATE,
      phase: this.phase,
      readings: this.readings,
      confirmed: this.confirmed,
      unavailable: this.unavailable,
      repairs: this.repairs,
    };
    const { data, error } = await assessCase({ client: this.client, body });
    if (data === undefined) throw new Error(error.detail);
    return data;
  }

  /** Do what is asked for until nothing is; the last answer. */
  async follow(): Promise<Assessment> {
    for (let step = 0; step < MOST_STEPS; step++) {
      const answer = await this.assess();
      if (answer.next_check === null) return answer;
      this.do(answer.next_check);
    }
    throw new Error("the visit does not end");
  }

  /** Carry out a preparation, or answer a check if this technician can. */
  do(step: NextCheck): void {
    this.asked.push(step.id);
    const reading = this.oven.get(step.id);
    if (step.kind === "preparation") {
      const kept = this.confirmed.filter((one) => !step.withdraws.includes(one.id));
      this.confirmed = [...kept, ...step.confirms];
    } else if (reading !== undefined) {
      this.readings.push(reading);
    } else {
      this.unavailable.push(step.id);
    }
  }
}

/** The problem that a misspelt symptom gives, as a typed error. */
async function refusal(client: Client): Promise<object> {
  const body: Case = { equipment: "microwave-oven", symptom: "no-heet" };
  const { error, response } = await assessCase({ client, body });
  if (error === undefined) throw new Error("a misspelt symptom was taken");
  const pointers = error.errors.map((one) => one.pointer);
  return { status: response.status, type: error.type, pointers };
}

/** What becomes of two cases that are sent together, of which one has a misspelt symptom. */
async function batch(client: Client): Promise<string[]> {
  const body = ["no-heat", "no-heet"].map(
    (symptom): BatchCase => ({ equipment: "microwave-oven", symptom }),
  );
  const { data, error } = await assessBatch({ client, body, query: { detail: "brief" } });
  if (data === undefined) throw new Error(error.detail);
  return data.results.map((one) => (one.assessment ? "assessed" : "a problem"));
}

/** Is not called: an item that is no case does not compile. */
export function wrong(client: Client): unknown {
  // @ts-expect-error its symptom is missing
  return assessBatch({ client, body: [{ equipment: "microwave-oven" }] });
}

async function main(url: string, token: string): Promise<void> {
  const client = createClient({ baseUrl: url, auth: token });
  const visit = new Visit(client, table(...HEALTHY, ...FAULTY));
  const found = await visit.follow();
  if (found.status !== "fault-found" || found.verdict === null) {
    throw new Error(`no fault found: ${found.status}`);
  }

  const remedy = found.verdict.remedy.id;
  visit.oven = table(...HEALTHY);
  visit.phase = "verify-repair";
  visit.repairs.push({ remedy, readings_before: visit.readings.length });
  const proven = await visit.follow();
  if (proven.release === null) throw new Error("nothing is said of the release");

  const course = {
    asked: visit.asked,
    unavailable: visit.unavailable,
    fault: found.verdict.fault,
    remedy,
    status: proven.status,
    released: proven.release.released,
    refusal: await refusal(client),
    batch: await batch(client),
  };
  console.log(JSON.stringify(course));
}

const [url, token] = process.argv.slice(2);
if (url === undefined || token === undefined) throw new Error("usage: visit.js URL TOKEN");
await main(url, token);
