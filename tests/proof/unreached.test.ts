import { describe, expect, it } from 'vitest';
import type { ProofFigure, ProofOptions } from '../../src/proof/measure.ts';
import { prove } from '../../src/proof/prove.ts';
import { proofSheet } from '../../src/proof/report-html.ts';
import { formatProofJunit } from '../../src/proof/report-junit.ts';
import { formatProof } from '../../src/proof/report-text.ts';
import type { UnreachedPlant } from '../../src/skeleton/unreached-plant.ts';
import { buildWalker } from '../support/walker.ts';

const walker = buildWalker({ cycles: 3 });
const good: ProofFigure = { skeleton: walker.skeleton, clip: walker.clip, roles: walker.roles };
const contacts = walker.contacts;
/** Two steps slide, both of them left ones. */
const slid = buildWalker({ cycles: 3, slide: { side: 'left', step: 1, metres: 0.03 } });
const slides: ProofFigure = { skeleton: slid.skeleton, clip: slid.clip, roles: slid.roles };

function report(side: 'left' | 'right', start: number, end: number): UnreachedPlant {
  const frames: [number, number] = [Math.round(start * 60), Math.round(end * 60)];
  return { side, start, end, frames, distance: 0.03, share: 0.0366, cause: 'other foot' };
}

const slide = contacts.left.ball[1]!;
const known: ProofOptions = { contacts, unreached: [report('left', slide.start, slide.end)] };

describe('a proof that is told which plants could not be reached', () => {
  const plain = prove(slides, good, { contacts });
  const told = prove(slides, good, known);

  it('shows the same figures and verdicts, and says in the remedy why', () => {
    expect(plain.measures.filter((m) => m.verdict === 'fail').map((m) => m.id)).toContain('plant-travel');
    for (const [i, measure] of told.measures.entries()) {
      expect({ ...measure, remedy: null }).toEqual({ ...plain.measures[i]!, remedy: null });
    }
    const travel = told.measures.find(({ id }) => id === 'plant-travel')!;
    expect(travel.remedy).toMatch(
      /^could not be reached: left foot, frames \d+–\d+: the leg is 3\.66 % too short \(30\.0 mm\): both feet stand/,
    );
    expect(travel.remedy).not.toContain('Elsewhere');
  });

  it('says it in text, page, build-server report and record', () => {
    const line = 'left foot, frames ';
    expect(formatProof(told)).toContain(`  Plants that could not be reached\n    - ${line}`);
    const { html, proof } = proofSheet(slides, good, known, { target: 'hero.glb' });
    expect(html).toContain('<h2>Plants that could not be reached</h2>');
    expect(html).toContain(line);
    expect(formatProofJunit(told, 'hero.glb')).toContain('could not be reached: left foot');
    expect(JSON.parse(JSON.stringify(proof)).unreached).toEqual([
      { ...known.unreached![0]!, start: expect.closeTo(slide.start, 1), end: expect.closeTo(slide.end, 1) },
    ]);
  });

  it('does not explain a slide of the other foot, or at another time', () => {
    for (const unreached of [[report('right', slide.start, slide.end)], [report('left', 0, 0.1)]]) {
      const travel = prove(slides, good, { contacts, unreached }).measures.find(({ id }) => id === 'plant-travel')!;
      expect(travel.verdict).toBe('fail');
      expect(travel.remedy).not.toContain('could not be reached');
    }
  });

  it('keeps the usual remedy for what is not explained', () => {
    const both = buildWalker({ cycles: 3, slide: { side: 'right', step: 0, metres: 0.03 } });
    const clip = { ...slid.clip, rotations: slid.clip.rotations.slice() };
    for (const part of ['UpperLeg', 'LowerLeg', 'Foot', 'Toes'] as const) {
      const joint = slid.roles[`right${part}`]!;
      for (let at = joint * 4; at < clip.rotations.length; at += clip.jointCount * 4)
        for (let k = 0; k < 4; k++) clip.rotations[at + k] = both.clip.rotations[at + k]!;
    }
    const travel = prove({ ...slides, clip }, good, known).measures.find(({ id }) => id === 'plant-travel')!;
    expect(travel.where.map(({ role }) => role.startsWith('left'))).toEqual(expect.arrayContaining([true, false]));
    expect(travel.remedy).toMatch(/^could not be reached: .* Elsewhere: Look at the contact named here/);
  });

  it('is put on the frames of a target that was cut', () => {
    const cut = 30;
    const clip = {
      ...slid.clip,
      frameCount: slid.clip.frameCount - cut,
      rotations: slid.clip.rotations.slice(cut * slid.clip.jointCount * 4),
      translations: slid.clip.translations.slice(cut * slid.clip.translationJoints.length * 3),
    };
    const proof = prove({ ...slides, clip }, good, { ...known, frameOffset: cut });
    expect(proof.unreached![0]!.frames[0]).toBe(Math.round(slide.start * 60) - cut);
  });
});

describe('a proof that is told nothing about reach', () => {
  it('has no word about it', () => {
    const proof = prove(slides, good, { contacts });
    expect(Object.keys(proof)).not.toContain('unreached');
    expect(formatProof(proof)).not.toContain('could not be reached');
    expect(proofSheet(slides, good, { contacts }, { target: 'x' }).html).not.toContain('could not be reached');
  });
});
