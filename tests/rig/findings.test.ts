import { describe, expect, it } from 'vitest';
import { axisAngleQuat, mulQuat } from '../../src/math/quat.ts';
import type { Role } from '../../src/pairing/roles.ts';
import { type AuditInput, auditRig } from '../../src/rig/audit.ts';
import { FINDING_RULES } from '../../src/rig/finding.ts';
import { distanceToMesh, windingNumber } from '../../src/rig/inside.ts';
import { restWorldPose } from '../../src/skeleton/skeleton.ts';
import { changed, cleanInput, found, jointOf, moved, namesIn, still, turned } from './clean.ts';

/** Findings that `planted.test.ts` does not cover, each beside the case that must not raise it. */

const input: AuditInput = await cleanInput();
const legLength = (() => {
  const { positions } = restWorldPose(input.skeleton);
  const at = (role: Role) => positions.subarray(jointOf(input, role) * 3, jointOf(input, role) * 3 + 3);
  const apart = (a: Role, b: Role) => Math.hypot(...[0, 1, 2].map((k) => at(a)[k]! - at(b)[k]!));
  return apart('leftUpperLeg', 'leftLowerLeg') + apart('leftLowerLeg', 'leftFoot');
})();
const ids = (audit: ReturnType<typeof still>) => audit.findings.map(({ id }) => id);

/** The middle joint put onto the line from root to end, then moved by `ahead` metres along +Z. */
function bent(upper: Role, middle: Role, end: Role, ahead: number): AuditInput {
  return changed(input, ({ positions }) => {
    const [a, b, c] = [upper, middle, end].map((role) => jointOf(input, role) * 3) as [number, number, number];
    for (let k = 0; k < 3; k++) positions[b + k] = (positions[a + k]! + positions[c + k]!) / 2;
    positions[b + 2]! += ahead;
  });
}

describe('knees and elbows', () => {
  it.each([
    ['a knee 10 mm in front of the line', 'Leg', 0.01, []],
    ['a knee on the line', 'Leg', 0, ['straight-knee']],
    ['a knee 10 mm behind the line', 'Leg', -0.01, ['knee-backwards']],
    ['an elbow 10 mm behind the line', 'Arm', -0.01, []],
    ['an elbow on the line', 'Arm', 0, ['straight-elbow']],
    ['an elbow 10 mm in front of the line', 'Arm', 0.01, ['elbow-backwards']],
  ] as const)('judges %s', (_, limb, ahead, expected) => {
    const isLeg = limb === 'Leg';
    const changedInput = isLeg
      ? bent('rightUpperLeg', 'rightLowerLeg', 'rightFoot', ahead)
      : bent('leftUpperArm', 'leftLowerArm', 'leftHand', ahead);
    const audit = still(changedInput);
    expect(ids(audit).filter((id) => /knee|elbow/.test(id))).toEqual(expected);
    for (const id of expected) expect(namesIn(found(audit, id))).toEqual([isLeg ? 'LowLeg.R' : 'LowArm.L']);
  });

  it('leaves an elbow that stands out downwards alone: the palms face forward there', () => {
    const down = changed(input, ({ positions }) => {
      const [a, b, c] = (['leftUpperArm', 'leftLowerArm', 'leftHand'] as const).map((role) => jointOf(input, role) * 3);
      for (let k = 0; k < 3; k++) positions[b! + k] = (positions[a! + k]! + positions[c! + k]!) / 2;
      positions[b! + 1]! -= 0.02;
    });
    expect(ids(still(down)).filter((id) => /elbow/.test(id))).toEqual([]);
  });

  it('measures the bend: 10 mm beside the middle of a limb of known length', () => {
    const audit = still(bent('rightUpperLeg', 'rightLowerLeg', 'rightFoot', -0.01));
    // Two right triangles with 10 mm across half of the limb each.
    const expected = (2 * Math.atan2(0.01, legLength / 2) * 180) / Math.PI;
    // Half of the limb is 0.4 % shorter than half of the bent leg: 0.02 degrees is far above that.
    expect(Math.abs(found(audit, 'knee-backwards')!.value - expected)).toBeLessThan(0.02);
  });
});

describe('joints of both sides', () => {
  it('tells a hand that is 5 % of the leg away from its mirror image, and leaves 1 % alone', () => {
    const far = still(moved(input, 'leftHand', [0, 0, 0.05 * legLength]));
    expect(namesIn(found(far, 'mirror-position'))).toEqual(['Hand.L', 'Hand.R']);
    expect(found(far, 'mirror-position')!.value).toBeCloseTo(0.05, 3);
    expect(found(still(moved(input, 'leftHand', [0, 0, 0.01 * legLength])), 'mirror-position')).toBeUndefined();
  });

  it('tells a rolled joint, but not one that is turned by a quarter as some packages mirror', () => {
    const rolled = still(turned(input, 'leftHand', [1, 0, 0], 40));
    expect(namesIn(found(rolled, 'mirror-orientation'))).toEqual(['Hand.L', 'Hand.R']);
    expect(found(rolled, 'mirror-orientation')!.value).toBeCloseTo(40, 3);
    expect(found(still(turned(input, 'leftHand', [1, 0, 0], 90)), 'mirror-orientation')).toBeUndefined();
    expect(found(still(turned(input, 'leftHand', [1, 0, 0], 180)), 'mirror-orientation')).toBeUndefined();
  });

  it('tells joints of two branches that stand at one place', () => {
    const { positions } = restWorldPose(input.skeleton);
    const target = jointOf(input, 'leftLittleProximal') * 3;
    const audit = still(
      changed(input, (pose) =>
        pose.positions.set(positions.subarray(target, target + 3), jointOf(input, 'leftRingDistal') * 3),
      ),
    );
    expect(namesIn(found(audit, 'duplicate-joint'))).toEqual(['Little1.L', 'Ring3.L']);
    expect(found(still(input), 'duplicate-joint')).toBeUndefined();
  });
});

describe('names', () => {
  const renamed = (names: { [name: string]: { side: 'left' | 'right' | null; style?: string } }): AuditInput => ({
    ...input,
    facts: {
      ...input.facts,
      sideMarks: input.facts.sideMarks.map((mark, j) => {
        const change = names[input.skeleton.names[j]!];
        if (!change) return mark;
        return change.side === null || !mark ? null : { ...mark, side: change.side, style: change.style ?? mark.style };
      }),
    },
  });

  it('tells two joints whose names have the wrong side', () => {
    const audit = still(renamed({ 'Thumb1.L': { side: 'right' }, 'Thumb1.R': { side: 'left' } }));
    expect(namesIn(found(audit, 'side-name-wrong'))).toEqual(['Thumb1.L', 'Thumb1.R']);
    expect(audit.sound).toBe(false);
  });

  it('only notes a pair that is spelled alike in another way than the rest', () => {
    const style = 'before left_';
    const audit = still(renamed({ 'Foot.L': { side: 'left', style }, 'Foot.R': { side: 'right', style } }));
    expect(found(audit, 'side-name-style')?.severity).toBe('note');
    const torn = still(renamed({ 'Foot.L': { side: 'left', style } }));
    expect(found(torn, 'side-name-style')?.severity).toBe('warning');
    expect(namesIn(found(torn, 'side-name-style'))).toEqual(['Foot.L']);
  });
});

describe('placement', () => {
  const framed = (frame: Partial<AuditInput['body']['frame']>): AuditInput => ({
    ...input,
    body: { ...input.body, frame: { ...input.body.frame, ...frame } },
  });

  it.each([
    ['along +Z', [0, 0, 1], []],
    ['along +X', [1, 0, 0], ['facing-axis']],
    ['12 degrees off +Z', [Math.sin(0.21), 0, Math.cos(0.21)], ['facing']],
  ] as const)('judges a character that looks %s', (_, facing, expected) => {
    const audit = still(framed({ facing: [...facing] }));
    expect(ids(audit)).toEqual(expected);
    if (expected[0] === 'facing') expect(found(audit, 'facing')!.value).toBeCloseTo((0.21 * 180) / Math.PI, 5);
  });

  it('says nothing of a facing that is not sure, nor of VRM 0.x looking along -Z', () => {
    expect(ids(still(framed({ facing: [1, 0, 0], unsure: ['facing'] })))).toEqual([]);
    const vrm: AuditInput = { ...framed({ facing: [0, 0, -1] }), facts: { ...input.facts, front: [0, 0, -1] } };
    expect(ids(still(vrm))).toEqual([]);
  });

  it.each([
    [0.02, []],
    [0.04, ['floor-height']],
    [-0.04, ['floor-height']],
  ] as const)('judges soles at %d of leg length over the floor', (share, expected) => {
    const audit = still(framed({ floor: share * legLength }));
    expect(ids(audit)).toEqual(expected);
    if (expected.length > 0) expect(found(audit, 'floor-height')!.value).toBeCloseTo(Math.abs(share), 2);
  });

  const scaled = (scale: [number, number, number]): AuditInput => ({
    ...input,
    facts: { ...input.facts, scales: [{ node: 'Hand.L', joint: jointOf(input, 'leftHand'), scale }] },
  });
  it.each([
    [[100, 100, 100], []],
    [[1, 1.005, 1], []],
    [[1, 1, 1.2], ['uneven-scale']],
    [[-1, 1, 1], ['negative-scale']],
  ] as const)('judges a scale of %j', (scale, expected) => {
    const audit = still(scaled([...scale]));
    expect(ids(audit)).toEqual(expected);
    if (expected.length > 0) expect(namesIn(audit.findings[0])).toEqual(['Hand.L']);
  });

  it.each([
    // With all its fingers, more than a fifth of the joints; and two joints only.
    ['leftLowerArm', []],
    ['leftFoot', ['Foot.L', 'Toes.L']],
  ] as const)('takes a %s that is turned at node rest for a pose', (role, named) => {
    const restRotations = input.skeleton.restRotations.slice();
    const turn = new Float64Array(4);
    axisAngleQuat(turn, 0, 0, 1, 0, Math.PI / 6);
    mulQuat(restRotations, jointOf(input, role) * 4, restRotations, jointOf(input, role) * 4, turn, 0);
    const facts = { ...input.facts, nodeRest: { ...input.skeleton, restRotations } };
    const audit = still({ ...input, facts });
    expect(ids(audit)).toEqual(['rest-not-bind']);
    expect(namesIn(audit.findings[0])).toEqual(named);
  });

  it('takes a shifted bind matrix for a fault', () => {
    const skin = input.skins.find(({ bind, influences }) => bind.some((x) => x !== 0) && influences >= 4)!;
    const bind = skin.bind.slice();
    bind[jointOf(input, 'leftLowerArm') * 12 + 3]! += 0.03 * legLength;
    const shifted = still({ ...input, skins: input.skins.map((s) => (s === skin ? { ...s, bind } : s)) });
    expect(namesIn(found(shifted, 'inverse-bind'))).toEqual(['LowArm.L']);
    expect(found(shifted, 'inverse-bind')!.value).toBeCloseTo(0.03, 3);
    expect(ids(shifted)).not.toContain('rest-not-bind');
  });

  it('tells two meshes that bind one joint at different places, not two whose spaces differ as a whole', () => {
    const skin = input.skins[0]!;
    const elsewhere = { ...skin, name: 'second', bind: skin.bind.slice(), positions: skin.positions.map((x) => x - 1) };
    // The second mesh has its origin 1 m away along each axis: the same place in the world.
    for (let j = 0; j < elsewhere.bind.length / 12; j++)
      for (let row = 0; row < 3; row++) {
        const at = j * 12 + row * 4;
        elsewhere.bind[at + 3]! += elsewhere.bind[at]! + elsewhere.bind[at + 1]! + elsewhere.bind[at + 2]!;
      }
    expect(found(still({ ...input, skins: [skin, elsewhere] }), 'bind-spaces')).toBeUndefined();
    const bind = elsewhere.bind.slice();
    bind[jointOf(input, 'leftHand') * 12 + 3]! += 0.005 * legLength;
    const apart = still({ ...input, skins: [skin, { ...elsewhere, bind }] });
    expect(namesIn(found(apart, 'bind-spaces'))).toEqual(['Hand.L']);
  });
});

describe('limbs', () => {
  it('tells arms that do not hang from the spine', () => {
    const { spineChain } = input.body;
    const audit = still({
      ...input,
      body: { ...input.body, spineChain: [jointOf(input, 'leftUpperLeg'), ...spineChain] },
    });
    expect(namesIn(found(audit, 'arms-off-spine'))).toEqual(['Collar.L', 'Collar.R']);
    expect(found(still(input), 'arms-off-spine')).toBeUndefined();
  });
});

describe('the exercise', () => {
  const lowerArm = jointOf(input, 'leftLowerArm');
  const upperArm = jointOf(input, 'leftUpperArm');

  it('tells skin that tears: one ring of the forearm that stays with the upper arm', () => {
    const skin = input.skins[0]!;
    const joints = skin.joints.slice();
    const weights = skin.weights.slice();
    let count = 0;
    for (let v = 0; v < skin.vertexCount; v++) {
      const at = v * skin.influences;
      if (joints[at] !== lowerArm || weights[at]! < 0.999 || v % 2 === 0) continue;
      joints[at] = jointOf(input, 'leftUpperLeg');
      count++;
    }
    expect(count).toBeGreaterThan(8);
    const audit = auditRig({ ...input, skins: [{ ...skin, joints, weights }, ...input.skins.slice(1)] });
    expect(ids(audit)).toContain('skin-stretch');
    expect(found(audit, 'skin-stretch')!.parts.some((part) => part === 'leftArm' || part === 'leftLeg')).toBe(true);
    expect(found(audit, 'skin-stretch')!.where[0]!.frames).not.toBeNull();
    expect(ids(auditRig(input))).not.toContain('skin-stretch');
  });

  it('tells an elbow that collapses: half of each weight around it with the upper arm', () => {
    const skin = input.skins[0]!;
    const joints = skin.joints.slice();
    const weights = skin.weights.slice();
    for (let v = 0; v < skin.vertexCount; v++) {
      const at = v * skin.influences;
      const own = [...joints.subarray(at, at + skin.influences)].some(
        (j, i) => (j === lowerArm || j === upperArm) && weights[at + i]! > 0.5,
      );
      if (!own) continue;
      joints.fill(0, at, at + skin.influences);
      weights.fill(0, at, at + skin.influences);
      joints[at] = lowerArm;
      joints[at + 1] = upperArm;
      weights[at] = 0.5;
      weights[at + 1] = 0.5;
    }
    const audit = auditRig({ ...input, skins: [{ ...skin, joints, weights }, ...input.skins.slice(1)] });
    const left = audit.exercise!.collapse.find(({ role }) => role === 'leftLowerArm')!;
    const right = audit.exercise!.collapse.find(({ role }) => role === 'rightLowerArm')!;
    // Half and half, all lengths across the bend shrink by the cosine of half the angle (70 degrees): 0.34 a direction.
    expect(left.lost).toBeGreaterThan(FINDING_RULES['skin-collapse'].threshold);
    expect(left.move).toMatch(/elbows bent/);
    expect(right.lost).toBeLessThan(0.4);
    expect(namesIn(found(audit, 'skin-collapse'))).toEqual(['LowArm.L']);
  });

  it('notes limbs that lie in other parts: a trunk three times as wide', () => {
    const skin = input.skins[0]!;
    const spine = new Set((['spine', 'chest', 'upperChest', 'hips'] as const).map((role) => jointOf(input, role)));
    const positions = skin.positions.slice();
    for (let v = 0; v < skin.vertexCount; v++)
      if (spine.has(skin.joints[v * skin.influences]!)) positions[v * 3]! *= 2.5;
    const audit = auditRig({ ...input, skins: [{ ...skin, positions }, ...input.skins.slice(1)] });
    const note = found(audit, 'self-penetration')!;
    expect(note.severity).toBe('note');
    expect(note.where.some(({ note: text }) => /inside the trunk/.test(text))).toBe(true);
    expect(audit.exercise!.penetration.some(({ move }) => /arms down|side/.test(move))).toBe(true);
    expect(ids(auditRig(input))).not.toContain('self-penetration');
  });
});

describe('geometry', () => {
  // A cube of side 2 around the origin, outward triangles.
  const corners = Float64Array.from([-1, 1].flatMap((x) => [-1, 1].flatMap((y) => [-1, 1].flatMap((z) => [x, y, z]))));
  const faces = [
    [0, 1, 3, 2],
    [4, 6, 7, 5],
    [0, 4, 5, 1],
    [2, 3, 7, 6],
    [0, 2, 6, 4],
    [1, 5, 7, 3],
  ];
  const triangles = Uint32Array.from(faces.flatMap(([a, b, c, d]) => [a!, b!, c!, a!, c!, d!]));

  it('winds once around what is inside, not around what is outside, and half without half of the faces', () => {
    expect(windingNumber(corners, triangles, new Float64Array([0.3, -0.2, 0.9]), 0)).toBeCloseTo(1, 9);
    expect(windingNumber(corners, triangles, new Float64Array([0.3, -0.2, 1.1]), 0)).toBeCloseTo(0, 9);
    // By symmetry each of the six faces covers a sixth of the sphere around the middle.
    expect(windingNumber(corners, triangles.subarray(0, 18), new Float64Array(3), 0)).toBeCloseTo(0.5, 9);
  });

  it('measures the distance to triangles without an area: a needle and a point', () => {
    const needle = new Uint32Array([0, 0, 4, 7, 7, 7]);
    // From (-1, -1, -1) to (1, -1, -1), and the corner (1, 1, 1).
    expect(distanceToMesh(corners, needle, new Float64Array([0, -1, -4]), 0)).toBeCloseTo(3, 12);
    expect(distanceToMesh(corners, needle, new Float64Array([1, 1, 3]), 0)).toBeCloseTo(2, 12);
    expect(windingNumber(corners, needle, new Float64Array([0.5, 0.2, 0.3]), 0)).toBe(0);
  });

  it('measures the distance to a face, an edge and a corner', () => {
    expect(distanceToMesh(corners, triangles, new Float64Array([0.2, 0.1, 3]), 0)).toBeCloseTo(2, 12);
    expect(distanceToMesh(corners, triangles, new Float64Array([4, 5, 0.5]), 0)).toBeCloseTo(5, 12);
    expect(distanceToMesh(corners, triangles, new Float64Array([2, 3, 3]), 0)).toBeCloseTo(3, 12);
    expect(distanceToMesh(corners, triangles, new Float64Array([0.5, 0, 0]), 0)).toBeCloseTo(0.5, 12);
  });
});
