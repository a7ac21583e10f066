// Sends a simulated rider's marker frames: node publish.mjs ADDRESS [SECONDS] [TIMES FASTER]

import { randomUUID } from "node:crypto";
import { setTimeout as sleep } from "node:timers/promises";
import { encode } from "@msgpack/msgpack";
import { Publisher } from "zeromq";

const [address = "tcp://127.0.0.1:47800", seconds = "0", faster = "1"] = process.argv.slice(2);
const RATE_HZ = 100;
const MARKERS = ["AC", "EL", "US", "GT", "LE", "LM", "CA", "VM"];
const SIDES = [
  { name: "L", y: 2130, lead: Math.PI },
  { name: "R", y: 1870, lead: 0 },
];
const rad = Math.PI / 180;

const description = {
  version: 1,
  stream: randomUUID(),
  source: "rider in JavaScript",
  labels: SIDES.flatMap((side) => MARKERS.map((marker) => `${side.name}_${marker}`)),
  unit: "m",
  up: "+z",
  rate_hz: RATE_HZ,
  side: "both",
  precision: "f8",
};

/** Positions [x, z] of one side's markers, mm. */
function leg(crank) {
  const axis = [1000, 280];
  const add = (p, k, d) => [p[0] + k * d[0], p[1] + k * d[1]];
  const pitch = (20 + 12 * Math.sin(crank - 40 * rad)) * rad;
  const along = [Math.cos(pitch), -Math.sin(pitch)];
  const up = [Math.sin(pitch), Math.cos(pitch)];
  const spindle = add(axis, 170, [Math.sin(crank), Math.cos(crank)]);
  const toe = add(add(spindle, 8, along), 30, up);
  const heel = add(toe, -180, along);
  const ankle = add(add(heel, 45, along), 60, up);
  const hip = add(axis, 1, [-230, 770]);
  const [dx, dz] = [ankle[0] - hip[0], ankle[1] - hip[1]];
  const far = Math.hypot(dx, dz);
  const out = Math.sqrt(430 ** 2 - (far / 2) ** 2) / far;
  const knee = [hip[0] + dx / 2 - out * dz, hip[1] + dz / 2 + out * dx];
  const shoulder = add(hip, 1, [350, 350]);
  const elbow = add(shoulder, 1, [150, -230]);
  const wrist = add(elbow, 1, [200, -130]);
  return [shoulder, elbow, wrist, hip, knee, ankle, heel, toe];
}

function frame(number) {
  const t = Buffer.alloc(8);
  t.writeDoubleLE(number / RATE_HZ);
  const xyz = Buffer.alloc(description.labels.length * 3 * 8);
  let at = 0;
  for (const side of SIDES) {
    for (const [k, [x, z]] of leg(3 * Math.PI * (number / RATE_HZ) + side.lead).entries()) {
      const missing = side.name === "R" && MARKERS[k] === "US" && number % 10 === 0;
      for (const value of [x, side.y, z]) at = xyz.writeDoubleLE(missing ? NaN : value / 1000, at);
    }
  }
  const sent = Number(process.hrtime.bigint()) / 1e9;
  return { stream: description.stream, first: number, count: 1, t, xyz, sent };
}

const socket = new Publisher({ sendHighWaterMark: 10_000 });
await socket.bind(address);
const began = performance.now();
let described = -Infinity;
for (let number = 0; seconds === "0" || number < seconds * RATE_HZ; number += 1) {
  if (performance.now() - described >= 1000) {
    described = performance.now();
    await socket.send(["description", encode(description)]);
  }
  if (number % 97 !== 96) await socket.send(["frames", encode(frame(number))]);
  const early = (1000 * number) / RATE_HZ / faster - (performance.now() - began);
  if (early > 1) await sleep(early);
}
socket.close();
