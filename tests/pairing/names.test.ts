import { describe, expect, it } from 'vitest';
import { areMirroredNames, nameEvidence, type Part, readNames, tokenize } from '../../src/pairing/names.ts';

/** The part that a name speaks for most, read among names that share nothing with it. */
function partOf(name: string): Part | null {
  const [reading] = readNames([name]);
  const best = Object.entries(reading!.parts).sort((a, b) => b[1]! - a[1]!)[0];
  return (best?.[0] as Part | undefined) ?? null;
}

describe('tokenize', () => {
  it.each([
    ['LeftUpLeg', ['left', 'up', 'leg']],
    ['upper_arm.L', ['upper', 'arm', 'l']],
    ['RThumb2', ['r', 'thumb', '2']],
    ['Left shoulder', ['left', 'shoulder']],
    ['mc:Épaule-gauche', ['mc', 'epaule', 'gauche']],
    ['左ひざ', ['左', 'ひざ']],
    ['#17', ['17']],
  ])('splits %s at separators, case and digits', (name, tokens) => {
    expect(tokenize(name)).toEqual(tokens);
  });
});

describe('readNames', () => {
  it.each([
    ['LeftUpLeg', 'left', 'upperLeg'],
    ['lThigh', 'left', 'upperLeg'],
    ['rightHip', 'right', 'upperLeg'],
    ['lowerleg.r', 'right', 'lowerLeg'],
    ['loleg_L', 'left', 'lowerLeg'],
    ['Unterarm_rechts', 'right', 'lowerArm'],
    ['avantbras_gauche', 'left', 'lowerArm'],
    ['main_droite', 'right', 'hand'],
    ['rForeArm', 'right', 'lowerArm'],
    ['lhand', 'left', 'hand'],
    ['LeftHandIndex1', 'left', 'index'],
    ['右手首', 'right', 'hand'],
    ['LeftToeBase', 'left', 'toes'],
    ['clavicle_l', 'left', 'shoulder'],
    ['Hips', null, 'hips'],
    ['lowerback', null, 'spine'],
    ['upper_chest', null, 'upperChest'],
    ['Kopf', null, 'head'],
  ] as const)('reads %s as the %s %s', (name, side, part) => {
    expect(readNames([name])[0]!.side).toBe(side);
    expect(partOf(name)).toBe(part);
  });

  it.each(['bone_017', 'xq7', 'main', 'armature'])('%s speaks of no sided part', (name) => {
    expect(['hand', 'upperLeg', 'upperArm']).not.toContain(partOf(name));
  });

  it.each(['handslot.l', 'Head_End', 'pole_knee_L', 'ik_hand_R', 'forearm_twist_l', 'LeftBrow'])(
    '%s is no part of the body, whatever part it names',
    (name) => {
      const [reading] = readNames([name]);
      for (const part of ['hand', 'head', 'lowerLeg', 'lowerArm', 'eye'] as const) {
        expect(nameEvidence(reading!, part)).toBeLessThan(0);
      }
    },
  );

  it('drops what nearly all names share, with or without a separator', () => {
    const bare = ['hips', 'spine', 'chest', 'neck', 'head', 'thigh_l', 'thigh_r', 'shin_l', 'shin_r', 'foot_l'];
    const plain = readNames(bare).map(({ parts }) => parts);
    for (const decorate of [
      (name: string) => `hand_${name}`,
      (name: string) => `mchead${name}`,
      (name: string) => `rig:${name}_jnt`,
      (name: string) => `${name}_torso`,
    ]) {
      expect(readNames(bare.map(decorate)).map(({ parts }) => parts)).toEqual(plain);
    }
  });

  it('takes "shoulder" for collar bone or upper arm, and says neither is sure', () => {
    const [reading] = readNames(['LeftShoulder']);
    expect(nameEvidence(reading!, 'shoulder')).toBe(nameEvidence(reading!, 'upperArm'));
  });
});

describe('areMirroredNames', () => {
  it('pairs names that differ in their side only', () => {
    const [a, b, c, d] = readNames(['lThumb1', 'rThumb1', 'rThumb2', 'lIndex1']);
    expect(areMirroredNames(a!, b!)).toBe(true);
    expect(areMirroredNames(a!, c!)).toBe(false);
    expect(areMirroredNames(a!, d!)).toBe(false);
  });
});
