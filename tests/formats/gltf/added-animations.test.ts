import { describe, expect, it } from 'vitest';
import { makeSamples } from '../../../samples/make.ts';
import { readAddedAnimations } from '../../../src/formats/gltf/added-animations.ts';
import { type GltfContainer, parseContainer } from '../../../src/formats/gltf/container.ts';
import { documentOf } from '../../../src/formats/gltf/nodes.ts';
import { readAnimation } from '../../../src/formats/gltf/read-animation.ts';
import { readCharacter } from '../../../src/formats/gltf/read-character.ts';
import { writeAnimatedGlb } from '../../../src/formats/gltf/write-animation.ts';
import { swingClip } from '../../support/animation-target.ts';

const samples = await makeSamples();
const known = readCharacter(parseContainer(samples.get('bodge.glb')!, 'bodge.glb'));
const clip = { ...swingClip(known.skeleton, 30, 1), name: 'swing' };
const { bytes } = writeAnimatedGlb(known, [clip]);

/** The written file with a change made to it before it is parsed. */
function changed(change: (container: GltfContainer, bytes: Uint8Array) => void): GltfContainer {
  const copy = bytes.slice();
  const container = parseContainer(copy, 'written.glb');
  change(container, copy);
  return container;
}

describe('reading what a file has more than a known character', () => {
  it('gives the skeleton, skins, animations and motion that reading all of it gives', () => {
    const container = parseContainer(bytes, 'written.glb');
    const whole = readCharacter(container, { referencePose: known.referencePose.kind });
    const { character, tracks } = readAddedAnimations(known, container)!;
    expect(character.skins).toBe(known.skins);
    for (const part of ['skeleton', 'skins', 'binding', 'nodes', 'skinned', 'humanoidTable', 'animations'] as const) {
      expect(character[part]).toEqual(whole[part]);
    }
    const index = whole.animations.length - 1;
    expect([...tracks.keys()]).toEqual([index]);
    const { clip: read } = readAnimation(character, index, 60, tracks.get(index));
    expect(read.name).toBe('swing');
    expect(read).toEqual(readAnimation(whole, index, 60).clip);
  });

  it.each<[string, (container: GltfContainer) => void]>([
    ['a byte of the mesh', ({ buffers }) => buffers[0]![7]!++],
    ['the last byte of the mesh', ({ buffers }) => buffers[0]![known.container.buffers[0]!.length - 1]!++],
    ['the place of a node', ({ json }) => (documentOf({ json } as GltfContainer).nodes![3]!.translation = [9, 9, 9])],
    ['the name of an accessor', ({ json }) => ((json.accessors as { name?: string }[])[0]!.name = 'x')],
    ['a member that the character does not have', ({ json }) => (json.extensions = {})],
    ['a skin less', ({ json }) => (json.skins as unknown[]).pop()],
    [
      'keys that nobody can read',
      ({ json }) => ((json.animations as { samplers: { output: number }[] }[]).at(-1)!.samplers[0]!.output = 0),
    ],
  ])('has to look at all of it when the file differs in %s', (_, change) => {
    expect(readAddedAnimations(known, changed(change))).toBeNull();
  });

  it('has to look at all of it when the new keys make a joint of another node', () => {
    const joints = new Set(known.binding.nodes);
    const other = known.nodes.parents.findIndex((_, node) => !joints.has(node));
    expect(other).toBeGreaterThanOrEqual(0);
    const container = changed(({ json }) => {
      const { channels } = (json.animations as { channels: { target: { node: number; path: string } }[] }[]).at(-1)!;
      channels.find(({ target }) => target.path === 'rotation')!.target.node = other;
    });
    const whole = readCharacter(container, { referencePose: known.referencePose.kind });
    expect(whole.binding.nodes).toContain(other);
    expect(readAddedAnimations(known, container)).toBeNull();
  });
});
