import { describe, expect, it } from 'vitest';
import { makeSamples } from '../../samples/make.ts';
import {
  convert,
  createReceiver,
  type DeliveryForm,
  openCharacter,
  outputOf,
  type ProofFigure,
  parseBvh,
  parseContainer,
  performerFromBvh,
  prove,
  type RootMotion,
  readBack,
} from '../../src/index.ts';

const CLIP = 'night-round.bvh';
const RIG = 'tamsel.glb';

/** A stretch of the walk on a character, ready to be written. */
async function ready(form: DeliveryForm, mode: RootMotion = 'keep') {
  const samples = await makeSamples();
  const { takes, notes } = parseBvh(samples.get(CLIP)!, CLIP);
  const performer = performerFromBvh(CLIP, takes[0]!, notes);
  const receiver = createReceiver(await openCharacter(parseContainer(samples.get(RIG)!, RIG)));
  const conversion = convert(performer, receiver, { filter: { trim: { from: 1, to: 2 } }, rootMotion: { mode } });
  return { receiver, output: outputOf({ performer, receiver, conversion }, { name: 'round', form }) };
}

const neverOpened = () => {
  throw new Error('The file was opened.');
};

describe('an output that is read back', () => {
  it('is judged by what stands in the file', async () => {
    const { output } = await ready('glb');
    const other = await ready('glb');
    // Another file in its place: the same motion, half as fast.
    const json = JSON.stringify(parseContainer(other.output.file.bytes, RIG).json);
    const slow = Buffer.from(other.output.file.bytes);
    const rate = /"frameDuration":([\d.]+)/.exec(json)![1]!;
    const at = slow.indexOf(`"frameDuration":${rate}`);
    slow.write(
      `"frameDuration":${String(Number(rate) * 2)
        .slice(0, rate.length)
        .padEnd(rate.length, '0')}`,
      at,
    );
    const judged = await readBack(output, () => parseContainer(output.file.bytes, RIG));
    const changed = await readBack(output, () => parseContainer(slow, RIG));
    expect(judged.target.clip.frameDuration).toBeCloseTo(1 / 60, 6);
    expect(changed.target.clip.frameDuration).toBeCloseTo(2 / 60, 6);
  });

  it('has its travel back where it was written in place', async () => {
    const [stays, walks] = await Promise.all([ready('glb', 'in-place'), ready('glb')]);
    const [judged, expected] = await Promise.all(
      [stays, walks].map(({ output }) => readBack(output, () => parseContainer(output.file.bytes, RIG))),
    );
    const lastOf = ({ clip }: ProofFigure) => [...clip.translations.slice(-3 * clip.translationJoints.length)];
    const way = Math.hypot(...lastOf(expected!.target).map((x, k) => x - lastOf(judged!.target)[k]!));
    // Metres. Half the default tolerance of fewer keys (0.1 mm) for each of the two.
    expect(way).toBeLessThan(1e-4);
  });

  it.each(['animation-only', 'bvh', 'vrma'] as const)('is judged on the character where it is %s', async (form) => {
    const whole = await ready('glb');
    const { output } = await ready(form);
    const expected = await readBack(whole.output, () => parseContainer(whole.output.file.bytes, RIG));
    const judged = await readBack(output, neverOpened);
    expect(judged.target.skins).toHaveLength(expected.target.skins!.length);
    const { target, source, options } = judged;
    expect(prove(target, source, options)).toEqual(prove(expected.target, expected.source, expected.options));
  });
});
