import { describe, expect, it } from 'vitest';
import type { ProofFigure } from '../../src/proof/measure.ts';
import { prove } from '../../src/proof/prove.ts';
import { proofSheet } from '../../src/proof/report-html.ts';
import { formatProofJunit } from '../../src/proof/report-junit.ts';
import { formatProof, formatValue } from '../../src/proof/report-text.ts';
import { MEASURE_RULES } from '../../src/proof/thresholds.ts';
import { buildWalker } from '../support/walker.ts';

const walker = buildWalker({ cycles: 2 });
const good: ProofFigure = { skeleton: walker.skeleton, clip: walker.clip, roles: walker.roles };
const options = { contacts: walker.contacts };

/** A walk with two faults, on a rig whose joint names try to break out of markup. */
function faulty(): ProofFigure {
  const bad = buildWalker({
    cycles: 2,
    slide: { side: 'left', step: 0, metres: 0.03 },
    kneeBackwards: { side: 'right', first: 90, last: 99 },
  });
  const names = bad.skeleton.names.map((name) => `<b title="${name}">&'\u0007`);
  return { skeleton: { ...bad.skeleton, names }, clip: bad.clip, roles: bad.roles };
}

/** Element names that are left open or closed out of order, and bare ampersands: enough to see markup break. */
function markupFaults(text: string, voidElements: readonly string[]): string[] {
  const faults: string[] = [];
  const open: string[] = [];
  for (const [, closing, name, rest] of text.matchAll(/<(\/?)([a-zA-Z][\w-]*)((?:"[^"]*"|[^">])*)>/g)) {
    if (closing) {
      if (open.pop() !== name) faults.push(`</${name}>`);
    } else if (!rest!.endsWith('/') && !voidElements.includes(name!)) open.push(name!);
  }
  for (const [bare] of text.matchAll(/&(?!(?:amp|lt|gt|quot|apos);)[^;]{0,8}/g)) faults.push(bare);
  return [...faults, ...open];
}

describe('the text for a terminal', () => {
  it('says the verdict first', () => {
    expect(formatProof(prove(good, good, options)).split('\n')[0]).toMatch(/^PASS {2}22 of 22 measures pass/);
    expect(formatProof(prove(faulty(), good, options), { name: 'hero.glb' })).toMatch(/^hero\.glb: FAIL {2}\d+ of 22/);
  });

  it('names place and remedy of what fails, and lists the rest once', () => {
    const proof = prove(faulty(), good, options);
    const text = formatProof(proof);
    for (const measure of proof.measures) {
      const { title } = MEASURE_RULES[measure.id];
      if (measure.verdict === 'fail') {
        expect(text).toContain(`FAIL  ${title}: `);
        expect(text).toContain(measure.remedy!);
      } else if (measure.verdict === 'pass') expect(text).toMatch(new RegExp(`pass  ${title.replace('/', '.')} +\\S`));
      else expect(text).toContain(`${title}: ${measure.notMeasured}`);
    }
    expect(text).toMatch(/rightLowerLeg \(.+\), frames 90–99, worst \d+: 10 frames \(bent \d+° the wrong way\)/);
    expect(text).not.toMatch(/NaN|undefined|null/);
  });

  it('names a cause before what follows from it', () => {
    const roles = { ...good.roles };
    for (const part of ['UpperArm', 'LowerArm', 'Hand', 'UpperLeg', 'LowerLeg'] as const) {
      roles[`left${part}`] = good.roles[`right${part}`];
      roles[`right${part}`] = good.roles[`left${part}`];
    }
    const text = formatProof(prove({ ...good, roles }, good, options));
    const titles = [...text.matchAll(/FAIL {2}([^:\n]+):/g)].map(([, title]) => title);
    expect(titles[0]).toBe('Sides');
    expect(titles).toContain('Pose fidelity');
  });

  it('writes values as a person reads them', () => {
    expect(formatValue(0.00234, 'leg length', 0.8)).toBe('0.23 % of leg (1.87 mm)');
    expect(formatValue(1e-7, 'leg length')).toBe('<0.01 % of leg');
    expect(formatValue(0, 'degree')).toBe('0.00°');
    expect(formatValue(1, 'frame')).toBe('1 frame');
    expect(formatValue(12, 'frame')).toBe('12 frames');
  });
});

describe('the JUnit-style XML', () => {
  it('is well formed whatever the joints are called', () => {
    const xml = formatProofJunit(prove(faulty(), good, options), 'a "b" <c> & d');
    expect(markupFaults(xml.slice(xml.indexOf('\n')), [])).toEqual([]);
    // XML 1.0, section 2.2: control characters but tab, line feed and return are not allowed.
    expect([...xml].every((c) => c >= ' ' || c === '\n')).toBe(true);
  });

  it('counts cases, failures and skipped ones as it lists them', () => {
    const proof = prove(faulty(), good, options);
    const xml = formatProofJunit(proof, 'walk');
    expect(xml.match(/<testcase /g)).toHaveLength(proof.measures.length);
    expect(xml.match(/<failure /g)).toHaveLength(proof.counts.fail);
    expect(xml.match(/<skipped /g)).toHaveLength(proof.counts.notMeasured);
    expect(xml).toContain(
      `<testsuite name="walk" tests="${proof.measures.length}" failures="${proof.counts.fail}" errors="0" skipped="${proof.counts.notMeasured}"`,
    );
  });
});

describe('the proof sheet', () => {
  const labels = { target: 'hero <1>.glb', source: 'walk & run.bvh' };
  const { proof, html } = proofSheet(faulty(), good, options, labels);

  it('is the same proof as without a sheet', () => {
    expect(proof).toEqual(prove(faulty(), good, options));
  });

  it('needs no network and runs no script', () => {
    expect(html).not.toMatch(/https?:|\/\/|<script|<link|<img|<iframe|@import|\ssrc=|\shref=|\son\w+=/i);
    expect([...html.matchAll(/url\(([^)]*)\)/g)].map(([, target]) => target)).toEqual(
      expect.arrayContaining(['#hatch']),
    );
    expect(html.match(/url\((?!#)/)).toBeNull();
  });

  it('is well formed and shows names as they are', () => {
    expect(markupFaults(html.slice(html.indexOf('<html')), ['meta'])).toEqual([]);
    expect(html.replaceAll('<wbr/>', '')).toContain('hero &lt;1&gt;.glb');
    expect(html).not.toContain('<b title=');
    expect(html).not.toMatch(/NaN|undefined|Infinity/);
  });

  it('names files without their folders, which are told on pointing at them', () => {
    const paths = { target: 'out/rigs/tall_hero-walk.glb', source: 'C:\\clips\\a"b.bvh' };
    const sheet = proofSheet(faulty(), good, options, paths).html;
    expect(sheet).toContain('<title>Does not hold: tall_hero-walk.glb playing a&quot;b.bvh</title>');
    expect(sheet).toContain('<span title="out/rigs/tall_hero-walk.glb">tall_<wbr/>hero-<wbr/>walk.<wbr/>glb</span>');
    expect(sheet).toContain('<span title="C:\\clips\\a&quot;b.bvh">');
    expect(markupFaults(sheet.slice(sheet.indexOf('<html')), ['meta'])).toEqual([]);
  });

  it('says the verdict before anything else and names each fault with joint and remedy', () => {
    const body = html.slice(html.indexOf('<main>'));
    expect(body.indexOf('Does not hold')).toBeLessThan(body.indexOf('What to mend'));
    for (const measure of proof.measures) {
      expect(body).toContain(MEASURE_RULES[measure.id].title);
      if (measure.verdict === 'fail') expect(body).toContain(`${measure.where[0]!.role} (`);
    }
    expect(body).toContain('frames 90–99');
  });

  it('draws source and target, front and side, at the worst and at typical moments', () => {
    const moments = html.match(/<article class="moment/g)!.length;
    expect(html.match(/<figure class="view">/g)).toHaveLength(moments * 2);
    expect(html.match(/<g class="source">/g)).toHaveLength(moments * 2);
    expect(html.match(/<h3>A typical moment/g)).toHaveLength(3);
    expect(html.match(/class="mark"/g)!.length).toBeGreaterThanOrEqual(4);
  });

  it('marks bars and verdicts by sign as well as by colour', () => {
    const bad = html.match(/class="contact \w+ bad"/g)!.length;
    expect(bad).toBeGreaterThan(0);
    expect(html.match(/class="cross"/g)).toHaveLength(bad);
    expect(html.match(/class="contact (left|right)( bad)?"/g)).toHaveLength(proof.contacts.intervals.length);
  });

  it('is drawn for a good walk, without a source, and for a clip without frames', () => {
    const sheet = proofSheet(good, undefined, {}, { target: 'walk.bvh' }).html;
    expect(sheet).toContain('Holds');
    expect(sheet).not.toContain('What to mend');
    expect(sheet).not.toMatch(/NaN|undefined/);
    const empty = { ...good.clip, frameCount: 0, rotations: new Float32Array(0), translations: new Float32Array(0) };
    expect(proofSheet({ ...good, clip: empty }, undefined, {}, { target: 'x' }).html).toContain('Not measured');
  });

  it('is the same file for the same input', () => {
    expect(proofSheet(faulty(), good, options, labels).html).toBe(html);
  });
});
