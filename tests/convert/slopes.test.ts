import { existsSync, readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { soleOf } from '../../src/contact/measure-soles.ts';
import { type Conversion, convert, sourceFigure } from '../../src/convert/convert.ts';
import { contactsOf } from '../../src/convert/measured.ts';
import { type Performer, performerFromBvh } from '../../src/convert/performer.ts';
import type { Receiver } from '../../src/convert/receiver.ts';
import { parseBvh } from '../../src/formats/bvh/index.ts';
import { rotateVec } from '../../src/math/quat.ts';
import type { FootPoints } from '../../src/proof/measure.ts';
import { prove } from '../../src/proof/prove.ts';
import { type Clip, framePose, restLocalPose } from '../../src/skeleton/clip.ts';
import { inversePlacement, placeClip, placementOf } from '../../src/skeleton/normalise.ts';
import { SIDES } from '../../src/skeleton/side.ts';
import { createWorldPose } from '../../src/skeleton/skeleton.ts';
import { figure } from '../support/figure.ts';
import { buildWalker } from '../support/walker.ts';

/** Degrees that a planted sole may be off the ramp. */
const PARALLEL = 1;

type Vec = readonly [number, number, number];

const walker = buildWalker({ cycles: 4 });

/** A bare figure as a character that takes motion: nothing of its file is asked for. */
function receiver(legs: number): Receiver {
  const actor = figure({ legs });
  return { actor, skins: [], body: actor.body, notes: [] } as unknown as Receiver;
}

function performerOf(clip: Clip): Performer {
  return performerFromBvh('walk.bvh', { skeleton: walker.skeleton, clip, channels: [] }, []);
}

/** Direction square to a ramp of so many degrees that rises towards a heading, degrees from +Z to +X. */
function rampUp(degrees: number, heading: number): Vec {
  const [a, b] = [(degrees * Math.PI) / 180, (heading * Math.PI) / 180];
  return [-Math.sin(a) * Math.sin(b), Math.cos(a), -Math.sin(a) * Math.cos(b)];
}

/** A performer on level ground, turned so that this is square to the ground. */
function onRamp(performer: Performer, up: Vec): Performer {
  const facing: Vec = [0, up[2], -up[1]].map((v) => -v) as unknown as Vec;
  const placement = inversePlacement(placementOf(up, facing, 1, 0));
  return { ...performer, clip: placeClip(performer.clip, performer.actor.skeleton, placement) };
}

/** A walk, and then the same walk once more, square to it and so much higher. */
function roundACorner({ clip, skeleton } = walker, higher = 0): Clip {
  const turned = placeClip(clip, skeleton, {
    rotation: [0, Math.SQRT1_2, 0, Math.SQRT1_2],
    scale: 1,
    translation: [0, higher, clip.translations[clip.translations.length - 1]!],
  });
  return {
    ...clip,
    frameCount: clip.frameCount * 2,
    rotations: Float32Array.from([...clip.rotations, ...turned.rotations]),
    translations: Float32Array.from([...clip.translations, ...turned.translations]),
  };
}

/** Largest angle between soles that are planted flat and a ramp, degrees; and how many frames there are. */
function offTheRamp({ clip, contacts, plan }: Conversion, up: Vec): { worst: number; frames: number } {
  const { skeleton, body } = plan.target;
  const pose = createWorldPose(skeleton.jointCount);
  const local = restLocalPose(skeleton);
  const normal = new Float64Array(3);
  let [worst, frames] = [0, 0];
  for (let f = 0; f < clip.frameCount; f++) {
    framePose(skeleton, clip, f, local, pose);
    for (const side of SIDES) {
      const time = f * clip.frameDuration;
      const stands = (point: 'heel' | 'ball') =>
        contacts![side][point].some(({ start, end }) => time >= start && time <= end);
      if (!stands('heel') || !stands('ball')) continue;
      // Without rolled axes the sole of the figure is square to the Y axis of its foot joint.
      rotateVec(normal, 0, pose.rotations, body.roles[`${side}Foot`]! * 4, Float64Array.of(0, 1, 0), 0);
      const cosine = up.reduce((sum, v, k) => sum + v * normal[k]!, 0);
      worst = Math.max(worst, (Math.acos(Math.min(1, cosine)) * 180) / Math.PI);
      frames++;
    }
  }
  return { worst, frames };
}

describe('a walk on a ramp of 10 degrees', () => {
  it.each([
    ['up', walker.clip, 0],
    ['down', walker.clip, 180],
    ['first up, then across', roundACorner(), 0],
    ['first across, then up', roundACorner(), 90],
    ['aslant', roundACorner(), 30],
  ] as const)('%s: soles lie on it, and the proof judges them square to it', (_, clip, heading) => {
    const up = rampUp(10, heading);
    const performer = onRamp(performerOf(clip), up);
    const before = performer.clip.rotations.slice();
    const conversion = convert(performer, receiver(0.8));
    expect(performer.clip.rotations).toEqual(before);
    expect(conversion.notes.find(({ code }) => code === 'CONTACT_RAMP')!.message).toMatch(
      /slopes by (9\.[5-9]|10\.[0-5]) /,
    );
    const { worst, frames } = offTheRamp(conversion, up);
    expect(frames).toBeGreaterThan(100);
    expect(worst).toBeLessThan(PARALLEL);
    // The performer leans as on level ground: its pelvis rises with the ramp.
    const { skeleton, body } = conversion.plan.target;
    const figureOf = { skeleton, clip: conversion.clip, roles: body.roles };
    const proof = prove(figureOf, sourceFigure(conversion.performer), { contacts: conversion.contacts! });
    expect(proof.notes.map(({ code }) => code)).toContain('PROOF_RAMP');
    for (const id of ['penetration', 'float', 'plant-travel', 'foot-roll-slip'] as const)
      expect(proof.measures.find((m) => m.id === id)!.verdict, id).toBe('pass');
  });

  it('is seen as one where the feet of the target are put down level on it', () => {
    const up = rampUp(10, 0);
    const performer = onRamp(performerOf(walker.clip), up);
    const { clip, plan, contacts } = convert(performer, receiver(1));
    const { skeleton, body } = plan.target;
    // Feet that are turned level about their ankles: their heels or their toes are in the ramp.
    const level = placeFeetLevel(clip, plan.target.skeleton, [body.roles.leftFoot!, body.roles.rightFoot!]);
    const foot = (joint: number): FootPoints => ({
      heel: { joint, offset: [0, -0.08, -0.04] },
      heelFront: null,
      ball: { joint, offset: [0, -0.08, 0.14] },
      toe: null,
      heading: [0, 0, 1],
      up: [0, 1, 0],
      from: 'given',
    });
    const feet = { left: foot(body.roles.leftFoot!), right: foot(body.roles.rightFoot!) };
    const judge = (motion: Clip) => {
      const figureOf = { skeleton, clip: motion, roles: body.roles, feet };
      const proof = prove(figureOf, sourceFigure(performer), { contacts: contacts! });
      return proof.measures.find(({ id }) => id === 'penetration')!.value! * 0.82;
    };
    // m. Heel and ball lie 0.18 m apart: one is up by half of what they differ in, and the other is down.
    const half = (0.18 * Math.sin((10 * Math.PI) / 180)) / 2;
    expect(judge(clip)).toBeLessThan(0.004);
    expect(judge(level)).toBeGreaterThan(0.8 * half);
  });

  /** Turns foot joints by 10 degrees about +X. */
  function placeFeetLevel(clip: Clip, skeleton: { jointCount: number }, feet: readonly number[]): Clip {
    const rotations = clip.rotations.slice();
    const [s, c] = [Math.sin((5 * Math.PI) / 180), Math.cos((5 * Math.PI) / 180)];
    for (let f = 0; f < clip.frameCount; f++)
      for (const joint of feet) {
        const at = (f * skeleton.jointCount + joint) * 4;
        const [x, y, z, w] = rotations.subarray(at, at + 4) as unknown as [number, number, number, number];
        rotations.set([x * c + w * s, y * c + z * s, z * c - y * s, w * c - x * s], at);
      }
    return { ...clip, rotations };
  }

  it('stands where the performer does: plants and feet rise with the ramp', () => {
    const up = rampUp(10, 0);
    const conversion = convert(onRamp(performerOf(walker.clip), up), receiver(0.8));
    const { plants, plan } = conversion;
    const heights = plants.map(({ position }) => position.reduce((sum, v, k) => sum + v * up[k]!, 0));
    // m. Heels rest on the floor, balls at the height of their joint above it.
    expect(Math.max(...heights) - Math.min(...heights)).toBeLessThan(0.03);
    const along = plants.map(({ position }) => position[2]);
    const rises = plants.map(({ position }) => position[1]);
    expect(Math.max(...rises) - Math.min(...rises)).toBeGreaterThan(
      0.9 * Math.tan((10 * Math.PI) / 180) * (Math.max(...along) - Math.min(...along)),
    );
    const { skeleton, body } = plan.target;
    expect(soleOf(skeleton, body.roles).left.source).toBe('joints');
  });
});

describe('a stair with treads of 0.4 m', () => {
  it.each([
    // Rises by 1:4: too steep for a ramp.
    ['straight up', buildWalker({ cycles: 4, rise: 0.1 }).clip],
    // Rises by 1:6.7, as a ramp may: the soles of each foot are level before the corner and behind it.
    ['round a corner', roundACorner(buildWalker({ cycles: 4, rise: 0.06 }), 0.06 * 8)],
  ] as const)('%s: soles are level', (_, clip) => {
    const performer = performerOf(clip);
    expect(contactsOf(performer).ground.floor.kind).toBe('sloped');
    const conversion = convert(performer, receiver(1));
    const { worst, frames } = offTheRamp(conversion, [0, 1, 0]);
    expect(frames).toBeGreaterThan(100);
    expect(worst).toBeLessThan(PARALLEL);
    const { skeleton, body } = conversion.plan.target;
    const figureOf = { skeleton, clip: conversion.clip, roles: body.roles };
    const proof = prove(figureOf, sourceFigure(performer), { contacts: conversion.contacts! });
    expect(proof.notes.map(({ code }) => code)).not.toContain('PROOF_RAMP');
  });
});

const REAL = new URL('../../../shared/data/bvh/figure8_walk.bvh', import.meta.url);

describe.skipIf(!existsSync(REAL))('a real walk in an eight (needs ../shared/data/bvh)', () => {
  const take = parseBvh(readFileSync(REAL), 'figure8_walk.bvh');
  const performer = performerFromBvh('figure8_walk.bvh', take.takes[0]!, take.notes);

  it.each([0, 90, 225])('has its soles on a ramp of 14 degrees that rises towards %s degrees', (heading) => {
    const up = rampUp(14, heading);
    const { worst, frames } = offTheRamp(convert(onRamp(performer, up), receiver(0.9)), up);
    expect(frames).toBeGreaterThan(500);
    expect(worst).toBeLessThan(PARALLEL);
  });
});
