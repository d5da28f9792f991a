import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { type Issue, validateBytes } from 'gltf-validator';
import { describe, expect, it } from 'vitest';
import { writeAnimationOnly } from '../../src/formats/gltf/animation-only.ts';
import { parseContainer } from '../../src/formats/gltf/container.ts';
import { writeAnimatedGlb, writeAnimatedGltf } from '../../src/formats/gltf/write-animation.ts';
import { swingClip, targetOf } from '../support/animation-target.ts';

// Source of truth: the Khronos glTF validator, package gltf-validator.

const RIGS = '../shared/data/rigs';
const hasRigs = existsSync(RIGS);
const rigs = hasRigs ? readdirSync(RIGS).filter((name) => /\.(glb|gltf|vrm)$/.test(name)) : [];

/** Rigs whose own files hold errors (weights that do not sum to 1, doubled influences, a skeleton that is no root). */
const FAULTY = new Set(['boxman.glb', 'horse.glb', 'unnamed_man.gltf']);

const ERROR = 0;

async function issuesOf(bytes: Uint8Array, files: { [uri: string]: Uint8Array } = {}): Promise<Issue[]> {
  const report = await validateBytes(bytes, {
    maxIssues: 0,
    externalResourceFunction: async (uri) => {
      const file = files[uri];
      if (!file) throw new Error(`no file ${uri}`);
      return file;
    },
  });
  return report.issues.messages;
}

const keyOf = ({ code, pointer, message }: Issue) => `${code} ${pointer} ${message}`;

/** Issues of every severity, hints included, that the input did not have. */
function added(before: readonly Issue[], after: readonly Issue[]): string[] {
  const known = new Set(before.map(keyOf));
  return after.map(keyOf).filter((key) => !known.has(key));
}

describe.skipIf(!hasRigs)(`written glTF passes the Khronos validator (needs ${RIGS})`, () => {
  describe.each(rigs)('%s', (name) => {
    const bytes = new Uint8Array(hasRigs ? readFileSync(`${RIGS}/${name}`) : []);
    const target = targetOf(parseContainer(bytes, name));
    const clips = [swingClip(target.skeleton, 90, 7), swingClip(target.skeleton, 20, 8, 1 / 30)];

    it('with animations appended in every way of storing keys', async () => {
      const before = await issuesOf(bytes);
      for (const options of [{}, { keepAllKeys: true }, { quantise: 'int16' }] as const) {
        const after = await issuesOf(writeAnimatedGlb(target, clips, options).bytes);
        expect(added(before, after)).toEqual([]);
        if (!FAULTY.has(name)) expect(after.filter(({ severity }) => severity === ERROR)).toEqual([]);
      }
    });

    it('as .gltf with a binary file beside it', async () => {
      const before = await issuesOf(bytes);
      const written = writeAnimatedGltf(target, clips, 'walk & run.bin');
      const { uri, bytes: binary } = written.binary!;
      const after = await issuesOf(written.bytes, { [uri]: binary, [encodeURIComponent(uri)]: binary });
      expect(added(before, after)).toEqual([]);
    });

    it('as an animation alone', async () => {
      const issues = await issuesOf(writeAnimationOnly(target, clips).bytes);
      // A leaf without a mesh is what an animation alone is made of.
      expect(issues.filter(({ code }) => code !== 'NODE_EMPTY')).toEqual([]);
    });
  });
});
