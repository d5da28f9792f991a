import { describe, expect, it } from 'vitest';
import { createProofMemory, knownBuild, knownTrack } from '../../src/proof/memory.ts';
import { prove } from '../../src/proof/prove.ts';
import { buildWalker } from '../support/walker.ts';

describe('what proofs share', () => {
  const { skeleton, clip, roles, contacts } = buildWalker({ cycles: 2 });
  const source = { skeleton, clip, roles };
  const other = buildWalker({ cycles: 2 });
  const target = { skeleton: other.skeleton, clip: other.clip, roles: other.roles };

  it('changes no proof: of the same figures, of other roles, or of other frames', () => {
    const memory = createProofMemory();
    const { leftHand: _, ...handless } = roles;
    for (const [figure, options] of [
      [target, { contacts }],
      [target, {}],
      [target, { frameOffset: 3 }],
      [{ ...target, roles: handless }, {}],
      [target, { groundVelocity: [0, 0, -0.2] as const }],
      [target, {}],
    ] as const) {
      expect(prove(figure, source, options, memory)).toEqual(prove(figure, source, options));
      expect(prove(figure, { ...source, roles: handless }, options, memory)).toEqual(
        prove(figure, { ...source, roles: handless }, options),
      );
    }
  });

  it('is one build of a skeleton with equal roles, and one track of the same moments', () => {
    const memory = createProofMemory();
    const build = knownBuild(memory, source);
    expect(knownBuild(memory, { ...source, roles: { ...roles } })).toBe(build);
    const track = knownTrack(memory, source, 20, 0, 1);
    expect(knownTrack(memory, { ...source }, 20, 0, 1)).toBe(track);
    expect(knownTrack(memory, source, 19, 0, 1)).not.toBe(track);
  });

  it('is not taken for a figure with other roles', () => {
    const memory = createProofMemory();
    const build = knownBuild(memory, source);
    const { leftHand: _, ...handless } = roles;
    expect(knownBuild(memory, { ...source, roles: handless })).not.toBe(build);
    expect(knownBuild(memory, { ...source, roles: { ...roles, leftHand: roles.rightHand! } })).not.toBe(build);
    expect(knownBuild(memory, { ...source, skins: [] })).toBe(knownBuild(memory, source));
  });
});
