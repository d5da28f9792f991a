import { describe, expect, it } from 'vitest';
import { RigproofError } from '../../src/errors.ts';
import { mirrorRole, type Role, type RoleMap } from '../../src/pairing/roles.ts';
import type { Measure, Proof, ProofFigure } from '../../src/proof/measure.ts';
import { prove } from '../../src/proof/prove.ts';
import { MEASURE_IDS, type MeasureId } from '../../src/proof/thresholds.ts';
import { type Clip, createClip } from '../../src/skeleton/clip.ts';
import { placeClip, placeSkeleton } from '../../src/skeleton/normalise.ts';
import { moved, turned } from '../support/altered-clip.ts';
import { axisAngle, product } from '../support/quat.ts';
import { buildWalker, type Walker } from '../support/walker.ts';

/** Invented errors have to be measured to within 5 %. */
const SIZE_TOLERANCE = 0.05;
/** Share of leg length: Float32 rotations down four joints of a leg leave less than a micrometre. */
const FLOAT32_NOISE = 2e-6;
/** Degrees: the same noise seen on a segment of 0.25 m. */
const FLOAT32_DEGREES = 1e-3;

const walker = buildWalker();

function figure({ skeleton, clip, roles }: Walker): ProofFigure {
  return { skeleton, clip, roles };
}

function take(proof: Proof, id: MeasureId): Measure & { value: number } {
  const measure = proof.measures.find((m) => m.id === id)!;
  if (measure.value === null) throw new Error(`${id} was not measured: ${measure.notMeasured}`);
  return { ...measure, value: measure.value };
}

function failing(proof: Proof): MeasureId[] {
  return proof.measures.filter((m) => m.verdict === 'fail').map((m) => m.id);
}

function expectSize(value: number, size: number): void {
  expect(Math.abs(value / size - 1), `${value} against ${size}`).toBeLessThan(SIZE_TOLERANCE);
}

describe('a perfect result', () => {
  it('is clean when the motion is compared with itself', () => {
    const proof = prove(figure(walker), figure(walker), { contacts: walker.contacts });
    expect(failing(proof)).toEqual([]);
    expect(proof.verdict).toBe('pass');
    for (const id of ['plant-drift', 'plant-travel', 'foot-roll-slip', 'penetration', 'float', 'limb-gap'] as const)
      expect(take(proof, id).value, id).toBeLessThan(FLOAT32_NOISE);
    for (const id of ['pose-fidelity', 'trunk-orientation', 'head-orientation', 'left-right'] as const)
      expect(take(proof, id).value, id).toBeLessThan(FLOAT32_DEGREES);
    expect(take(proof, 'root-smoothness').value).toBeCloseTo(1, 6);
  });

  it('is clean without a source, with contacts found on the target itself', () => {
    const proof = prove(figure(walker));
    expect(failing(proof)).toEqual([]);
    expect(proof.contacts.from).toBe('found on the target');
    expect(take(proof, 'plant-travel').value).toBeLessThan(FLOAT32_NOISE);
    expect(proof.contacts.intervals.length).toBeGreaterThanOrEqual(10);
  });

  it.each([
    ['a 20 cm character', 0.11, 60],
    ['a 20 m character', 11, 60],
    ['30 frames a second', 1, 30],
    ['240 frames a second', 1, 240],
  ])('is clean for %s', (_, scale, fps) => {
    const walk = buildWalker({ scale, fps });
    expect(failing(prove(figure(walk), figure(walk), { contacts: walk.contacts }))).toEqual([]);
    expect(failing(prove(figure(walk)))).toEqual([]);
  });

  it('is clean for a character of another size, and for a target resampled to half the frame rate', () => {
    const tall = buildWalker({ scale: 1.7 });
    expect(failing(prove(figure(tall), figure(walker), { contacts: walker.contacts }))).toEqual([]);
    const half = buildWalker({ fps: 30 });
    const proof = prove(figure(half), figure(walker), { contacts: walker.contacts });
    expect(failing(proof)).toEqual([]);
    expect(take(proof, 'pose-fidelity').value).toBeLessThan(FLOAT32_DEGREES);
  });

  it('is clean when the walk goes in another direction', () => {
    const placement = {
      rotation: [0, Math.sin(1.1), 0, Math.cos(1.1)] as [number, number, number, number],
      scale: 1,
      translation: [3, 0, -7] as [number, number, number],
    };
    const walk: ProofFigure = {
      skeleton: placeSkeleton(walker.skeleton, placement),
      clip: placeClip(walker.clip, walker.skeleton, placement),
      roles: walker.roles,
    };
    expect(failing(prove(walk, walk, { contacts: walker.contacts }))).toEqual([]);
    expect(failing(prove(walk))).toEqual([]);
  });

  it('compares with the right source frames when the first ones were cut off', () => {
    const first = 20;
    const size = walker.skeleton.jointCount * 4;
    const clip: Clip = {
      ...walker.clip,
      frameCount: walker.clip.frameCount - first,
      rotations: walker.clip.rotations.slice(first * size),
      translations: walker.clip.translations.slice(first * 3),
    };
    const cut = { skeleton: walker.skeleton, clip, roles: walker.roles };
    const proof = prove(cut, figure(walker), { contacts: walker.contacts, frameOffset: first });
    expect(failing(proof)).toEqual([]);
    expect(take(proof, 'plant-travel').value).toBeLessThan(FLOAT32_NOISE);
    expect(take(proof, 'pose-fidelity').value).toBeLessThan(FLOAT32_DEGREES);
    expect(failing(prove(cut, figure(walker), { contacts: walker.contacts }))).toContain('plant-travel');
  });
});

describe('invented errors of known size', () => {
  it.each([0.11, 1, 11])('finds 30 mm of slide in one stance, at scale %s', (scale) => {
    const sliding = buildWalker({ scale, slide: { side: 'left', step: 1, metres: 0.03 } });
    const proof = prove(figure(sliding), figure(walker), { contacts: walker.contacts });
    const travel = take(proof, 'plant-travel');
    expectSize(travel.value * sliding.legLength, 0.03 * scale);
    expect(travel.verdict).toBe('fail');
    expect(take(proof, 'plant-drift').verdict).toBe('fail');
    const [worst] = travel.where;
    expect(worst).toMatchObject({ role: 'leftToes', joint: 'leftToes', note: 'ball' });
    // The second left step strikes at 1.2 s; its ball stands from 12 % to 60 % of the cycle.
    expect(worst!.frames).toEqual([81, 115]);
    expect(travel.where.every((place) => place.role.startsWith('left'))).toBe(true);
  });

  it('finds the slide without a source too', () => {
    const sliding = buildWalker({ slide: { side: 'left', step: 1, metres: 0.03 } });
    const travel = take(prove(figure(sliding)), 'plant-travel');
    // Found contacts leave out 40 ms at either end: 29 mm minus what slides in them.
    expect(travel.value * sliding.legLength).toBeGreaterThan(0.03 * (1 - 0.1 / 0.576) * 0.95);
    expect(travel.where[0]).toMatchObject({ role: 'leftToes' });
  });

  it('finds a foot sunk by 20 mm', () => {
    const sunk = buildWalker({ sink: { side: 'right', step: 1, metres: 0.02 } });
    for (const proof of [prove(figure(sunk), figure(walker), { contacts: walker.contacts }), prove(figure(sunk))]) {
      expect(failing(proof)).toEqual(['penetration']);
      const depth = take(proof, 'penetration');
      expectSize(depth.value * sunk.legLength, 0.02);
      expect(depth.where[0]!.role).toMatch(/^right/);
    }
  });

  it('finds a walk that hovers by 20 mm', () => {
    const hovering = buildWalker();
    const hips = hovering.roles.hips!;
    const proof = prove({ ...figure(hovering), clip: moved(hovering, hips, () => [0, 0.02, 0]) }, figure(walker), {
      contacts: walker.contacts,
    });
    expect(failing(proof)).toEqual(['float']);
    expectSize(take(proof, 'float').value * hovering.legLength, 0.02);
  });

  it('finds a knee bent backwards, in exactly those frames', () => {
    const broken = buildWalker({ kneeBackwards: { side: 'left', first: 60, last: 80 } });
    for (const proof of [prove(figure(broken), figure(walker), { contacts: walker.contacts }), prove(figure(broken))]) {
      const knee = take(proof, 'hinge-knee');
      expect(knee.value).toBe(21);
      expect(knee.where).toMatchObject([{ role: 'leftLowerLeg', frames: [60, 80] }]);
      expect(take(proof, 'hinge-elbow').value).toBe(0);
    }
  });

  it('does not blame the rig for a knee that is backwards in the source', () => {
    const broken = buildWalker({ kneeBackwards: { side: 'left', first: 60, last: 80 } });
    const knee = take(prove(figure(broken), figure(broken)), 'hinge-knee');
    expect(knee.verdict).toBe('pass');
    expect(knee.details.left).toMatchObject({ faults: 0, sourceAgainst: 21 });
  });

  it('does not take a folded knee for one bent backwards because its foot is pointed', () => {
    const { skeleton, roles } = walker;
    const clip = createClip('heel to seat', 10, 1 / 60, skeleton.jointCount, [roles.hips!]);
    for (let i = 3; i < clip.rotations.length; i += 4) clip.rotations[i] = 1;
    for (let f = 0; f < 10; f++) {
      const at = f * skeleton.jointCount;
      clip.rotations.set(axisAngle(1, 0, 0, (155 * Math.PI) / 180), (at + roles.leftLowerLeg!) * 4);
      clip.rotations.set(axisAngle(1, 0, 0, (50 * Math.PI) / 180), (at + roles.leftFoot!) * 4);
      // Led aside by so much that the pelvis tells nothing of the front.
      clip.rotations.set(axisAngle(0, 1, 0, (100 * Math.PI) / 180), (at + roles.leftUpperLeg!) * 4);
      clip.translations.set(skeleton.restTranslations.subarray(roles.hips! * 3, roles.hips! * 3 + 3), f * 3);
    }
    expect(take(prove({ skeleton, clip, roles }), 'hinge-knee').value).toBe(0);
  });

  it('finds an elbow bent backwards', () => {
    const { roles } = walker;
    // The elbow bends ahead by 0.2 to 0.6 rad; turning it back by 1.4 bends it 0.8 to 1.2 rad the wrong way.
    const clip = turned(walker.clip, roles.leftLowerArm!, [30, 49], [0, 1, 0], 1.4);
    for (const source of [figure(walker), undefined]) {
      const elbow = take(prove({ ...figure(walker), clip }, source), 'hinge-elbow');
      expect(elbow.value).toBe(20);
      expect(elbow.where).toMatchObject([{ role: 'leftLowerArm', frames: [30, 49] }]);
    }
  });

  it('finds a popped frame and its size', () => {
    const angle = 20;
    const clip = turned(walker.clip, walker.roles.rightLowerArm!, [77, 77], [0, 0, 1], (angle * Math.PI) / 180);
    for (const source of [figure(walker), undefined]) {
      const pops = take(prove({ ...figure(walker), clip }, source), 'pops');
      expectSize(pops.value, angle);
      expect(pops.where[0]).toMatchObject({ role: 'rightLowerArm', worstFrame: 77 });
    }
  });

  it('does not call a pop what the source does as well', () => {
    const clip = turned(walker.clip, walker.roles.rightLowerArm!, [77, 77], [0, 0, 1], 0.35);
    const spiked = { ...figure(walker), clip };
    const pops = take(prove(spiked, spiked), 'pops');
    expect(pops.verdict).toBe('pass');
    expectSize(Number(pops.details.sourceWorst), (0.35 * 180) / Math.PI);
  });

  describe('where a fault of the capture turns the whole body in one frame', () => {
    // The hips turn by 20 degrees in one frame. On the target the right thigh stays where it was, as one does that the floor
    // holds: in its joint that is a turn back by the same angle.
    const { hips, rightUpperLeg } = walker.roles;
    const angle = (20 * Math.PI) / 180;
    const source = { ...figure(walker), clip: turned(walker.clip, hips!, [77, 77], [0, 1, 0], angle) };
    const held = (f: number, by = angle): Clip => {
      const rotations = source.clip.rotations.slice();
      const at = (f * source.clip.jointCount + rightUpperLeg!) * 4;
      rotations.set(product(axisAngle(0, 1, 0, -by), rotations.subarray(at, at + 4)), at);
      return { ...source.clip, rotations };
    };

    it('does not call it a pop that a limb does not follow it', () => {
      expect(take(prove({ ...source, clip: held(77) }, source), 'pops').verdict).toBe('pass');
    });

    it('finds the same pop of that limb elsewhere, and its size', () => {
      const pops = take(prove({ ...source, clip: held(120) }, source), 'pops');
      expectSize(pops.value, 20);
      expect(pops.where[0]).toMatchObject({ role: 'rightUpperLeg', worstFrame: 120 });
    });

    it('finds what goes beyond the fault', () => {
      // 50 degrees, of which half as much again as the fault's 20 are its own.
      const pops = take(prove({ ...source, clip: held(77, (50 * Math.PI) / 180) }, source), 'pops');
      expectSize(pops.value, 20);
      expect(pops.where[0]).toMatchObject({ role: 'rightUpperLeg', worstFrame: 77 });
    });

    it('lets longer legs and arms be swept along farther', () => {
      // The same body with hip joints three times as far out: the fault sweeps them three times as far, as a share of the same leg.
      const restTranslations = walker.skeleton.restTranslations.slice();
      for (const joint of [walker.roles.leftUpperLeg!, rightUpperLeg!]) restTranslations[joint * 3]! *= 3;
      const wide = { ...source, skeleton: { ...walker.skeleton, restTranslations } };
      expect(take(prove(wide, source), 'jumps').verdict).toBe('pass');
      const jumping = moved({ ...walker, ...wide }, walker.roles.leftHand!, (f) =>
        f === 130 ? [0, 0, 0.06] : [0, 0, 0],
      );
      const jumps = take(prove({ ...wide, clip: jumping }, source), 'jumps');
      expectSize(jumps.value * walker.legLength, 0.06);
    });
  });

  describe('jumps of a leg whose joints lie farther out', () => {
    const { hips, leftUpperLeg, rightUpperLeg, leftFoot, rightFoot, leftToes, rightToes } = walker.roles;
    const scaled = (joints: readonly number[], k: number, factor: number) => {
      const restTranslations = walker.skeleton.restTranslations.slice();
      for (const joint of joints) restTranslations[joint * 3 + k]! *= factor;
      return { ...walker.skeleton, restTranslations };
    };
    it.each([
      // 3 and 8 degrees in one frame, on hips eight times as wide and feet four times as long.
      ['hips', hips!, 3, scaled([leftUpperLeg!, rightUpperLeg!], 0, 8)],
      ['foot', rightFoot!, 8, scaled([leftToes!, rightToes!], 2, 4)],
    ] as const)('are those of the source when its %s turn as quickly', (_, joint, degrees, skeleton) => {
      const quick = turned(walker.clip, joint, [77, 77], [0, 1, 0], (degrees * Math.PI) / 180);
      const source = { ...figure(walker), clip: quick };
      expect(take(prove({ ...source, skeleton }, source), 'jumps').verdict).toBe('pass');
      // A source that does not turn bears no such jump.
      expect(take(prove({ ...source, skeleton }, figure(walker)), 'jumps').verdict).toBe('fail');
      const jumping = moved({ ...walker, ...source, skeleton }, leftFoot!, (f) =>
        f === 130 ? [0, 0.06, 0] : [0, 0, 0],
      );
      const jumps = take(prove({ ...source, skeleton, clip: jumping }, source), 'jumps');
      expect(jumps.where).toContainEqual(expect.objectContaining({ role: 'leftFoot', worstFrame: 130 }));
    });
  });

  it('finds a jump of 60 mm in one joint', () => {
    const clip = moved(walker, walker.roles.leftHand!, (f) => (f === 100 ? [0, 0, 0.06] : [0, 0, 0]));
    const jumps = take(prove({ ...figure(walker), clip }, figure(walker)), 'jumps');
    expectSize(jumps.value * walker.legLength, 0.06);
    expect(jumps.where).toMatchObject([{ role: 'leftHand', worstFrame: 100 }]);
  });

  it('finds swapped sides', () => {
    const roles = Object.fromEntries(
      Object.entries(walker.roles).map(([role, joint]) => [mirrorRole(role as Role), joint]),
    ) as RoleMap;
    const proof = prove({ ...figure(walker), roles }, figure(walker), { contacts: walker.contacts });
    const sides = take(proof, 'sides');
    expect(sides.value).toBe(4);
    expect(new Set(sides.where.map((place) => place.role))).toEqual(
      new Set(['leftUpperLeg', 'rightUpperLeg', 'leftUpperArm', 'rightUpperArm']),
    );
    expect(take(prove({ ...figure(walker), roles }), 'sides').value).toBe(2);
  });

  it('finds a stretched limb', () => {
    const offset = walker.skeleton.restTranslations.subarray(walker.roles.rightFoot! * 3);
    const clip = moved(walker, walker.roles.rightFoot!, (f) =>
      f >= 40 && f < 60 ? [0, offset[1]! * 0.1, 0] : [0, 0, 0],
    );
    const long = { ...figure(walker), clip };
    const stretch = take(prove(long, figure(walker)), 'limb-stretch');
    expectSize(stretch.value, 0.1);
    expect(stretch.where).toMatchObject([{ role: 'rightLowerLeg', frames: [40, 59] }]);
    expect(take(prove(long, figure(walker), { allowedStretch: 0.12 }), 'limb-stretch').verdict).toBe('pass');
  });

  it('finds the gap between a shin and a foot that was left behind', () => {
    const clip = moved(walker, walker.roles.leftFoot!, (f) => (f >= 90 ? [0.03, 0, 0.04] : [0, 0, 0]));
    const gap = take(prove({ ...figure(walker), clip }), 'limb-gap');
    expectSize(gap.value * walker.legLength, 0.05);
    expect(gap.where[0]).toMatchObject({ role: 'leftFoot', frames: [90, walker.clip.frameCount - 1] });
  });

  it('finds a hand that misses its target', () => {
    // The upper arm turned by 0.2 rad about the shoulder moves the wrist by 2 sin(0.1) of its distance.
    const clip = turned(walker.clip, walker.roles.leftUpperArm!, [0, walker.clip.frameCount - 1], [0, 0, 1], 0.2);
    const proof = prove({ ...figure(walker), clip }, figure(walker));
    const hands = take(proof, 'limb-target-hands');
    const reach = 0.53;
    expect(hands.value * walker.legLength).toBeGreaterThan(2 * Math.sin(0.1) * 0.9 * reach);
    expect(hands.value * walker.legLength).toBeLessThan(2 * Math.sin(0.1) * reach * 1.001);
    expect(hands.where[0]).toMatchObject({ role: 'leftHand' });
    expect(take(proof, 'limb-target-feet').value).toBeLessThan(FLOAT32_NOISE);
  });

  it('finds an arm that is 30 degrees off, and says that one side is worse', () => {
    const clip = turned(
      walker.clip,
      walker.roles.leftUpperArm!,
      [0, walker.clip.frameCount - 1],
      [0, 0, 1],
      Math.PI / 6,
    );
    const proof = prove({ ...figure(walker), clip }, figure(walker));
    expectSize(take(proof, 'pose-fidelity').value, 30);
    expect(take(proof, 'pose-fidelity').where.map((place) => place.role)).toContain('leftUpperArm');
    expectSize(take(proof, 'left-right').value, 30);
    expect(take(proof, 'left-right').where[0]).toMatchObject({ role: 'leftUpperArm' });
  });

  it('finds a head that turns away from where the source looks', () => {
    const clip = turned(walker.clip, walker.roles.head!, [100, 160], [0, 1, 0], Math.PI / 4);
    const head = take(prove({ ...figure(walker), clip }, figure(walker)), 'head-orientation');
    expect(head.verdict).toBe('fail');
    expectSize(Number(head.details.worst), 45);
    expect(head.where[0]!.frames).toEqual([100, 160]);
  });

  it('finds a joint that never moves', () => {
    const rotations = walker.clip.rotations.slice();
    const joint = walker.roles.leftLowerArm!;
    for (let f = 1; f < walker.clip.frameCount; f++)
      for (let k = 0; k < 4; k++) rotations[(f * walker.clip.jointCount + joint) * 4 + k] = rotations[joint * 4 + k]!;
    const proof = prove({ ...figure(walker), clip: { ...walker.clip, rotations } }, figure(walker));
    expect(take(proof, 'still-joints').where).toMatchObject([{ role: 'leftLowerArm' }]);
  });

  it('finds hips that tremble', () => {
    const clip = moved(walker, walker.roles.hips!, (f) => [0.004 * (f % 2), 0, 0]);
    const root = take(prove({ ...figure(walker), clip }, figure(walker)), 'root-smoothness');
    expect(root.verdict).toBe('fail');
    // Second difference of an alternation between 0 and 4 mm: 8 mm a frame squared, at 60 Hz 28.8 m/s².
    expectSize(Number(root.details.targetP95) * walker.legLength, 0.008 * 60 * 60);
  });
});

describe('range of motion', () => {
  /** The walker in its rest pose for forty frames, one joint turned about its x axis in ten of them. */
  function posed(joint: Role, degrees: number, first = 20): ProofFigure {
    const { skeleton, roles } = walker;
    const clip = createClip('pose', 40, 1 / 30, skeleton.jointCount, [roles.hips!]);
    for (let f = 0; f < 40; f++) {
      for (let j = 0; j < skeleton.jointCount; j++) clip.rotations[(f * skeleton.jointCount + j) * 4 + 3] = 1;
      const angle = f >= first && f < first + 10 ? (degrees * Math.PI) / 180 : 0;
      clip.rotations.set(axisAngle(1, 0, 0, angle), (f * skeleton.jointCount + roles[joint]!) * 4);
      clip.translations.set(skeleton.restTranslations.subarray(roles.hips! * 3, roles.hips! * 3 + 3), f * 3);
    }
    return { skeleton, clip, roles };
  }

  it.each([
    ['leftLowerLeg', 165, 'leftLowerLeg', 165 - 142, 'knee, flexion 165°'],
    ['rightUpperLeg', -160, 'rightUpperLeg', 160 - 134, 'hip, flexion 160°'],
    ['rightUpperLeg', 50, 'rightUpperLeg', 50 - 30, 'hip, flexion -50°'],
    ['leftFoot', -65, 'leftFoot', 65 - 40, 'ankle, dorsiflexion 65°'],
    ['leftFoot', 80, 'leftFoot', 80 - 62, 'ankle, dorsiflexion -80°'],
  ] as const)('%s turned by %s degrees is out of its range', (joint, degrees, role, excess, note) => {
    const range = take(prove(posed(joint, degrees)), 'range-of-motion');
    expectSize(range.value, excess);
    expect(range.where).toMatchObject([{ role, frames: [20, 29], note }]);
    // A source that does the same is not mended, only reported.
    const copied = take(prove(posed(joint, degrees), posed(joint, degrees)), 'range-of-motion');
    expect(copied.value).toBe(0);
    expectSize(
      Math.max(...Object.values(copied.details).map((d) => (d as { sourceExcess: number }).sourceExcess)),
      excess,
    );
  });

  it('is left as the source leaves it a frame sooner or later, and no more', () => {
    // 33 ms a frame.
    const late = (frames: number) =>
      take(prove(posed('leftFoot', 80), posed('leftFoot', 80, 20 + frames)), 'range-of-motion');
    expect(late(1).value).toBe(0);
    expect(late(-1).value).toBe(0);
    expectSize(late(2).value, 80 - 62);
    expect(late(2).where).toMatchObject([{ role: 'leftFoot', frames: [20, 20] }]);
  });

  it('is kept by a joint that is just within', () => {
    expect(take(prove(posed('leftLowerLeg', 140)), 'range-of-motion').value).toBe(0);
  });

  /** A thigh with this flexion, then led aside, degrees: first about the axis through both hips, as goniometers are laid on. */
  function thigh(flexion: number, aside: number): ProofFigure {
    const pose = posed('leftUpperLeg', -flexion);
    const { clip, roles } = pose;
    for (let f = 20; f < 30; f++) {
      const at = (f * clip.jointCount + roles.leftUpperLeg!) * 4;
      clip.rotations.set(product(clip.rotations.subarray(at, at + 4), axisAngle(0, 0, 1, (aside * Math.PI) / 180)), at);
    }
    return pose;
  }

  /** Degrees to the nearest of all directions whose flexion is within the published range, found by trying them. */
  function nearest(flexion: number, aside: number): number {
    const direction = (a: number, b: number): [number, number, number] => {
      const [x, y] = [(a * Math.PI) / 180, (b * Math.PI) / 180];
      return [Math.sin(y), -Math.cos(x) * Math.cos(y), Math.sin(x) * Math.cos(y)];
    };
    const own = direction(flexion, aside);
    let most = -1;
    for (let a = -30; a <= 134; a += 0.5)
      for (let b = -90; b <= 90; b += 0.5)
        most = Math.max(
          most,
          direction(a, b).reduce((sum, v, k) => sum + v * own[k]!, 0),
        );
    return (Math.acos(most) * 180) / Math.PI;
  }

  it.each([
    [160, 40],
    [-60, 50],
    [200, 45],
    [-100, 60],
    [240, 30],
  ])('of a hip flexed by %s and led aside by %s degrees is left by the way back into it', (flexion, aside) => {
    const { value } = take(prove(thigh(flexion, aside)), 'range-of-motion');
    // The rest thigh slants by a degree and the tried directions are half a degree apart.
    expect(Math.abs(value - nearest(flexion, aside))).toBeLessThan(1.5);
  });

  it.each([
    // Flexion means nothing square to its plane: it may be half a turn off between two thighs that are a few degrees apart.
    ['straight aside', [-80, 88], [100, 88]],
    ['where flexion is cut', [231, 30], [-127, 30]],
    ['where one is far aside and one less', [-52, 34], [-52, 40]],
  ] as const)('differs little between two thighs that differ little, %s', (_, [flexion, aside], [its, itsAside]) => {
    const range = take(prove(thigh(flexion, aside), thigh(its, itsAside)), 'range-of-motion');
    expect(range.value).toBeLessThan(5);
  });
});

describe('a pairing that takes one side for the other', () => {
  /** The motion follows the pairing: nothing but the rig tells that it is wrong. */
  const swapped = (...parts: ('UpperArm' | 'LowerArm' | 'Hand' | 'LowerLeg')[]) => {
    const roles = { ...walker.roles };
    for (const part of parts) {
      roles[`left${part}`] = walker.roles[`right${part}`];
      roles[`right${part}`] = walker.roles[`left${part}`];
    }
    return { ...figure(walker), roles };
  };

  it('is seen on arms by where they are', () => {
    const arms = swapped('UpperArm', 'LowerArm', 'Hand');
    const { value, where } = take(prove(arms, arms), 'sides');
    expect(value).toBe(2);
    expect(where.map(({ role }) => role).sort()).toEqual(['leftUpperArm', 'rightUpperArm']);
    // Without a source too.
    expect(take(prove(arms), 'sides').value).toBe(2);
  });

  it('is seen on knees by what they hang from', () => {
    const knees = swapped('LowerLeg');
    const { value, where } = take(prove(knees, knees), 'sides');
    expect(value).toBe(2);
    expect(where.map(({ role }) => role).sort()).toEqual(['leftLowerLeg', 'rightLowerLeg']);
    expect(where[0]!.note).toContain('hangs from');
  });

  it('is not seen where there is none', () => {
    expect(take(prove(figure(walker)), 'sides').value).toBe(0);
  });
});

describe('a limb joint that was not paired', () => {
  it('is told where the other side has it', () => {
    const { rightFoot, rightToes, ...roles } = walker.roles;
    const { notes } = prove({ ...figure(walker), roles }, figure(walker));
    const unpaired = notes.filter(({ code }) => code === 'PROOF_LIMB_UNPAIRED');
    expect(unpaired).toHaveLength(1);
    expect(unpaired[0]!.message).toContain('No joint was paired with rightFoot, though leftFoot is');
  });

  it('is not told where both sides lack it, and without a source', () => {
    const { leftHand, rightHand, ...roles } = walker.roles;
    expect(prove({ ...figure(walker), roles }, figure(walker)).notes).toEqual([]);
    const { rightFoot, ...footless } = walker.roles;
    expect(prove({ ...figure(walker), roles: footless }).notes).toEqual([]);
  });
});

describe('the proof as a record', () => {
  const proof = prove(figure(walker), figure(walker), { contacts: walker.contacts });

  it('has every measure once, in the order of the rules', () => {
    expect(proof.measures.map((m) => m.id)).toEqual(MEASURE_IDS);
  });

  it('survives JSON', () => {
    expect(JSON.parse(JSON.stringify(proof))).toEqual(proof);
  });

  it('takes thresholds from the caller', () => {
    const strict = prove(figure(walker), figure(walker), { thresholds: { 'root-smoothness': 0.5 } });
    expect(failing(strict)).toEqual(['root-smoothness']);
    expect(take(strict, 'root-smoothness').threshold).toBe(0.5);
  });

  it('says why a measure could not be taken', () => {
    const alone = prove(figure(walker));
    const skipped = alone.measures.filter((m) => m.verdict === 'not measured');
    expect(skipped.map((m) => m.id)).toContain('pose-fidelity');
    for (const m of skipped) expect(m.notMeasured, m.id).toBeTruthy();
    expect(alone.counts.pass + alone.counts.fail + alone.counts.notMeasured).toBe(MEASURE_IDS.length);
  });

  it('leaves its input as it was', () => {
    const before = { r: walker.clip.rotations.slice(), t: walker.clip.translations.slice() };
    prove(figure(walker), figure(walker));
    expect(walker.clip.rotations).toEqual(before.r);
    expect(walker.clip.translations).toEqual(before.t);
  });

  it('judges no plants when the travel was removed on purpose', () => {
    const clip = { ...walker.clip, translations: walker.clip.translations.map((x, i) => (i % 3 === 2 ? 0 : x)) };
    const inPlace = prove({ ...figure(walker), clip }, figure(walker), { contacts: walker.contacts, inPlace: true });
    expect(failing(inPlace)).toEqual([]);
    expect(inPlace.measures.find((m) => m.id === 'plant-travel')!.verdict).toBe('not measured');
  });

  it('follows ground that moves', () => {
    const clip = { ...walker.clip, translations: walker.clip.translations.map((x, i) => (i % 3 === 2 ? 0 : x)) };
    // 0.8 m in 1.2 s: the belt runs backwards as fast as the walk went ahead.
    const belt = prove({ ...figure(walker), clip }, undefined, { groundVelocity: [0, 0, -0.8 / 1.2] });
    expect(failing(belt)).toEqual([]);
    expect(take(belt, 'plant-travel').value).toBeLessThan(FLOAT32_NOISE);
  });
});

describe('bad and thin input', () => {
  it('refuses a clip of another skeleton', () => {
    const clip = { ...walker.clip, jointCount: 3 };
    expect(() => prove({ ...figure(walker), clip })).toThrow(expect.objectContaining({ code: 'PROOF_CLIP_MISMATCH' }));
  });

  it('refuses a role on a joint that is not there', () => {
    expect(() => prove({ ...figure(walker), roles: { hips: 99 } })).toThrow(RigproofError);
    expect(() => prove({ ...figure(walker), roles: { hips: 99 } })).toThrow(/hips to joint 99/);
  });

  it('takes a clip without frames and a figure without roles', () => {
    const empty = { ...walker.clip, frameCount: 0, rotations: new Float32Array(0), translations: new Float32Array(0) };
    expect(prove({ ...figure(walker), clip: empty }).verdict).toBe('not measured');
    expect(prove({ ...figure(walker), clip: empty }, figure(walker)).verdict).toBe('not measured');
    const proof = prove({ ...figure(walker), roles: {} }, figure(walker));
    expect(proof.verdict).toBe('not measured');
    expect(JSON.stringify(proof)).not.toContain('NaN');
  });

  it('takes a single frame', () => {
    const size = walker.skeleton.jointCount * 4;
    const one = {
      ...walker.clip,
      frameCount: 1,
      rotations: walker.clip.rotations.slice(0, size),
      translations: walker.clip.translations.slice(0, 3),
    };
    expect(failing(prove({ ...figure(walker), clip: one }, figure(walker)))).toEqual([]);
  });
});
