import { describe, expect, it } from 'vitest';
import type { Measure, ProofFigure } from '../../src/proof/measure.ts';
import { prove } from '../../src/proof/prove.ts';
import { restWorldPose } from '../../src/skeleton/skeleton.ts';
import type { SkinMesh } from '../../src/skeleton/skin.ts';
import { reaching } from '../support/reaching.ts';
import { skinEllipsoid } from '../support/skin-ellipsoid.ts';

const FRAMES = 30;
/** The head joint of the figure; metres. */
const HEAD = 1.54;
/** The hand is a ball of this radius, half a hand beyond the wrist. */
const FIST = 0.04;
const BEYOND = 0.06;
/** Where the hand of a raised arm lies from its wrist is told by the forearm; the head is large beside that. */
const HEAD_RADIUS = 0.3;

/** A figure with a ball for a head, around a point so far over its joint, and balls for hands. */
function skins(radius: number, over: number): (figure: ProofFigure) => SkinMesh[] {
  return ({ skeleton, roles }) => [
    skinEllipsoid(skeleton, roles.head!, [0, over, 0], [radius, radius, radius]),
    skinEllipsoid(skeleton, roles.leftHand!, [BEYOND, 0, 0], [FIST, FIST, FIST]),
    skinEllipsoid(skeleton, roles.rightHand!, [-BEYOND, 0, 0], [FIST, FIST, FIST]),
  ];
}

function sunk(target: ProofFigure, source?: ProofFigure): Measure {
  return prove(target, source).measures.find(({ id }) => id === 'sunk-hands')!;
}

/** The left wrist at a place over the head joint, seen from the front, in all frames. */
const at = (x: number, y: number) => () => [x, HEAD + y] as const;
const bigHead = { skin: skins(HEAD_RADIUS, HEAD_RADIUS) };

describe('a hand at the head', () => {
  it('that is over its skin is not in it', () => {
    expect(sunk(reaching(FRAMES, at(0.45, 0.2), bigHead))).toMatchObject({
      verdict: 'pass',
      value: 0,
    });
  });

  it('that is in it fails, by how deep most of it is', () => {
    const figure = reaching(FRAMES, at(0.3, 0.3), bigHead);
    const found = sunk(figure);
    expect(found.verdict).toBe('fail');
    expect(found.where[0]).toMatchObject({ role: 'leftHand', joint: 'leftHand' });
    expect(found.where[0]!.note).toContain('inside the head (head)');
    // A ball in a ball: its deepest points are as deep as its middle and its radius more; 95 of 100 stay above 0.9 of that.
    const depth = fistDepth(figure) + 0.9 * FIST;
    // As long as hands are: from the wrist to most of its skin.
    const length = BEYOND + FIST;
    expect(Math.abs((found.value! * length) / depth - 1)).toBeLessThan(0.1);
  });

  it('is told of where it passes through', () => {
    const through = reaching(60, (t) => [0.3 - 0.4 * t, HEAD + 0.5], bigHead);
    expect(sunk(through).verdict).toBe('fail');
  });
});

/** How deep the middle of the left fist is in the large head; the elbow bends in the plane of the picture. */
function fistDepth({ skeleton, clip, roles }: ProofFigure): number {
  let angle = 0;
  for (const joint of [roles.leftUpperArm!, roles.leftLowerArm!]) {
    const [, , z, w] = clip.rotations.subarray(joint * 4, joint * 4 + 4);
    angle += 2 * Math.atan2(z!, w!);
  }
  const rest = restWorldPose(skeleton).positions;
  const [x, y] = [0.3 + BEYOND * Math.cos(angle), HEAD + 0.3 + BEYOND * Math.sin(angle)];
  const z = rest[roles.leftHand! * 3 + 2]! - rest[roles.head! * 3 + 2]!;
  return HEAD_RADIUS - Math.hypot(x, y - HEAD - HEAD_RADIUS, z);
}

describe('what is no fault of the rig', () => {
  const person = { skin: skins(0.08, 0.07) };

  it('is a hand that the performer has in its own head', () => {
    const inside = at(0.02, 0.07);
    expect(sunk(reaching(FRAMES, inside, person), reaching(FRAMES, at(0.3, 0.2))).verdict).toBe('fail');
    expect(sunk(reaching(FRAMES, inside, person), reaching(FRAMES, inside)).verdict).toBe('pass');
  });

  it('is a hand that is bound inside', () => {
    const rest = (figure: ProofFigure): ProofFigure => {
      const { rotations } = figure.clip;
      rotations.fill(0);
      for (let i = 3; i < rotations.length; i += 4) rotations[i] = 1;
      return figure;
    };
    const around = { skin: skins(1, 0) };
    expect(sunk(rest(reaching(FRAMES, at(0.3, 0.2), around)))).toMatchObject({ verdict: 'pass', value: 0 });
    expect(sunk(rest(reaching(FRAMES, at(0.3, 0.2), person)))).toMatchObject({ verdict: 'pass', value: 0 });
  });
});

it('cannot be told without skin', () => {
  expect(sunk(reaching(FRAMES, at(0.3, 0.2)))).toMatchObject({
    verdict: 'not measured',
    notMeasured: 'there is no mesh',
  });
});
