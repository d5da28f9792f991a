import type { MeshVertex, ProofFigure } from './measure.ts';
import { escapeXml } from './report-junit.ts';
import { skinShape } from './sheet-figures.ts';
import { boundVertices } from './sheet-skin.ts';
import type { Track } from './track.ts';

/** What an audit found in the character itself, as plain data: the proof judges motion and knows no audit. */
export interface RigReport {
  /** Most important first. */
  findings: readonly RigFinding[];
}

export interface RigFinding {
  severity: 'fault' | 'warning' | 'note';
  title: string;
  /** What it leads to. */
  meaning: string;
  /** What to do in the modelling package. */
  remedy: string;
  /** What was measured and what is allowed, in words; may be empty. */
  measured: string;
  /** Whether skin tears in motion because of it, at its vertices or at those that follow its joints. */
  tearsSkin: boolean;
  /** Worst first. */
  where: readonly RigPlace[];
}

export interface RigPlace {
  /** The place in words: joints, vertices, what is special. */
  text: string;
  /** Joint names as in the file. */
  joints: readonly string[];
  /** Name of the mesh's node; null where the finding is in the joints alone. */
  mesh: string | null;
  /** Runs of vertices, first and last of each. */
  vertices: readonly (readonly [number, number])[];
}

/** Places that are told one by one, and those that are marked in the picture. */
const MOST_PLACES = 5;
const MOST_MARKED = 2;

const GLYPHS = { fault: '✕', warning: '!', note: 'i' } as const;

/** How many of each severity there are, in words: `9 faults, 5 warnings`; null where nothing was found. */
export function countFindings({ findings }: RigReport): string | null {
  const counts = (['fault', 'warning', 'note'] as const).map((severity) => {
    const count = findings.filter((found) => found.severity === severity).length;
    return count > 0 ? `${count} ${severity}${count === 1 ? '' : 's'}` : null;
  });
  return counts.filter(Boolean).join(', ') || null;
}

/** A joint has a say in a vertex from this weight on. */
const HAS_SAY = 0.2;

/**
 * The finding that tears the skin at a vertex or at one beside it: the other end of the edge may be at fault. Its number
 * counts from 1.
 */
export function findingAt(
  { findings }: RigReport,
  { skins = [], skeleton }: ProofFigure,
  { mesh, index }: MeshVertex,
): { number: number; title: string } | null {
  const skin = skins.find(({ name }) => name === mesh);
  if (!skin) return null;
  const around = new Set<number>([index]);
  for (let t = 0; t < skin.triangles.length; t += 3) {
    const corners = skin.triangles.subarray(t, t + 3);
    if (corners.includes(index)) for (const v of corners) around.add(v);
  }
  const joints = new Set<string>();
  for (const v of around)
    for (let i = v * skin.influences; i < (v + 1) * skin.influences; i++)
      if (skin.weights[i]! >= HAS_SAY) joints.add(skeleton.names[skin.joints[i]!]!);
  const isThere = (place: RigPlace) =>
    place.mesh === null
      ? place.joints.some((joint) => joints.has(joint))
      : place.mesh === mesh && place.vertices.some(([first, last]) => [...around].some((v) => v >= first && v <= last));
  const found = findings.findIndex(({ tearsSkin, where }) => tearsSkin && where.some(isThere));
  return found < 0 ? null : { number: found + 1, title: findings[found]!.title };
}

/**
 * The findings of an audit with a picture of where they are, in the pose that the character was bound in.
 * @param inDoubt  the roles with which the rig was looked at are not those of its joints
 */
export function rigSection(track: Track, report: RigReport, inDoubt: boolean): string {
  const { findings } = report;
  const counts = countFindings(report);
  const intro = '<p>What the file itself shows, before any motion.</p>';
  if (counts === null) return `<section><h2>The rig</h2>${intro}<p>Nothing was found that needs mending.</p></section>`;
  const notable = findings.filter(({ severity }) => severity !== 'note').length;
  const items = findings.map((found, i) => item(found, i + 1));
  const notes = items.slice(notable);
  const rest =
    notes.length > 0
      ? `<details><summary>${notes.length} ${notes.length === 1 ? 'note' : 'notes'}: nothing has to be done</summary><div class="rig">${notes.join('')}</div></details>`
      : '';
  return `<section><h2>The rig</h2><p>What the file itself shows, before any motion: ${counts}. The numbers in the picture are those of the list.${inDoubt ? ' It was looked at with the pairing that fails above: what depends on left and right may be right in the rig.' : ''}</p>${picture(track, findings.slice(0, notable))}<div class="rig">${items.slice(0, notable).join('')}</div>${rest}</section>`;
}

function item(found: RigFinding, number: number): string {
  const shown = found.where.slice(0, MOST_PLACES).filter(({ text }) => text !== '');
  const more = found.where.length - shown.length;
  const places = shown.map(({ text }) => `<li>${escapeXml(text)}</li>`).join('');
  return `<article class="finding ${found.severity}"><h3><span class="number-mark">${number}</span> <span class="severity"><span aria-hidden="true">${GLYPHS[found.severity]}</span> ${found.severity}</span> ${escapeXml(found.title)}</h3>
${places ? `<ul>${places}${more > 0 ? `<li>and ${more} more</li>` : ''}</ul>` : ''}<p>${escapeXml(found.meaning)}${found.measured ? ` <span class="limit-note">${escapeXml(found.measured)}</span>` : ''}</p>
<p class="remedy"><b>To mend it:</b> ${escapeXml(found.remedy)}</p></article>`;
}

interface Mark {
  number: number;
  at: number[];
}

/** Where findings are: their joints, or the middle of their vertices. */
function marksOf(track: Track, findings: readonly RigFinding[], vertices: readonly Float64Array[]): Mark[] {
  const { skeleton, skins = [] } = track.figure;
  return findings.flatMap(({ where }, i) =>
    where.slice(0, MOST_MARKED).flatMap((place): Mark[] => {
      const number = i + 1;
      const mesh = skins.findIndex(({ name }) => name === place.mesh);
      if (mesh >= 0 && place.vertices.length > 0) return [{ number, at: middleOf(vertices[mesh]!, place.vertices) }];
      return place.joints.slice(0, MOST_MARKED).flatMap((name) => {
        const joint = skeleton.names.indexOf(name);
        return joint < 0 ? [] : [{ number, at: [...track.rest.positions.subarray(joint * 3, joint * 3 + 3)] }];
      });
    }),
  );
}

function middleOf(vertices: Float64Array, runs: RigPlace['vertices']): number[] {
  const sum = [0, 0, 0];
  let count = 0;
  for (const [first, last] of runs)
    for (let v = first; v <= last; v++, count++) for (let k = 0; k < 3; k++) sum[k]! += vertices[v * 3 + k]!;
  return sum.map((x) => x / Math.max(1, count));
}

const HEIGHT = 300;
/** Room beside the figure for the numbers. */
const ASIDE = 52;
const MARGIN = 14;
/** Between two numbers, one below the other. */
const LINE = 16;

/** The character from the front as it was bound, with the numbers of the findings beside it. */
function picture(track: Track, findings: readonly RigFinding[]): string {
  const { skins = [] } = track.figure;
  if (!skins.some(({ triangles }) => triangles.length > 0)) return '';
  const vertices = skins.map((mesh) => boundVertices(mesh, track.rest));
  const [left, right] = [extreme(vertices, 0, Math.min), extreme(vertices, 0, Math.max)];
  const [low, high] = [extreme(vertices, 1, Math.min), extreme(vertices, 1, Math.max)];
  const unit = (HEIGHT - 2 * MARGIN) / Math.max(1e-9, high - low);
  const width = (right - left) * unit + 2 * ASIDE;
  const project = (p: ArrayLike<number>): [number, number] => [
    ASIDE + (p[0]! - left) * unit,
    HEIGHT - MARGIN - (p[1]! - low) * unit,
  ];
  const shape = skinShape({ vertices, whole: skins.map(({ triangles }) => triangles) }, project, width, HEIGHT);
  const marks = callOuts(marksOf(track, findings, vertices), project, width);
  return `<figure class="rig-picture"><svg viewBox="0 0 ${width.toFixed(1)} ${HEIGHT}" role="img" aria-label="Where the findings are, from the front"><path class="skin" d="${shape}"/>${marks}</svg></figure>`;
}

function extreme(vertices: readonly Float64Array[], k: number, of: (a: number, b: number) => number): number {
  let found = Number.NaN;
  for (const at of vertices)
    for (let i = k; i < at.length; i += 3) found = Number.isNaN(found) ? at[i]! : of(found, at[i]!);
  return Number.isNaN(found) ? 0 : found;
}

/** Marks nearer than this, in units of the drawing, share a dot. */
const ONE_DOT = 5;

/** A dot at each mark and its numbers at the nearer edge of the picture, no two on top of each other. */
function callOuts(marks: readonly Mark[], project: (p: number[]) => [number, number], width: number): string {
  const dots: { numbers: Set<number>; at: [number, number] }[] = [];
  for (const { number, at } of marks) {
    const [x, y] = project(at);
    const near = dots.find((dot) => Math.hypot(dot.at[0] - x, dot.at[1] - y) < ONE_DOT);
    if (near) near.numbers.add(number);
    else dots.push({ numbers: new Set([number]), at: [x, y] });
  }
  const parts: string[] = [];
  for (const isLeft of [true, false]) {
    const column = dots.filter(({ at }) => at[0] < width / 2 === isLeft).sort((a, b) => a.at[1] - b.at[1]);
    const tops = spreadOut(column.map(({ at }) => at[1]));
    column.forEach(({ numbers, at }, i) => {
      const x = isLeft ? ASIDE - 12 : width - ASIDE + 12;
      const [dx, dy] = at.map((v) => v.toFixed(1));
      const words = [...numbers].sort((a, b) => a - b).join(', ');
      parts.push(
        `<line class="lead" x1="${x.toFixed(1)}" y1="${tops[i]!.toFixed(1)}" x2="${dx}" y2="${dy}"/><circle class="dot" cx="${dx}" cy="${dy}" r="3"/><text class="call" x="${(isLeft ? x - 3 : x + 3).toFixed(1)}" y="${(tops[i]! + 4.5).toFixed(1)}" text-anchor="${isLeft ? 'end' : 'start'}">${words}</text>`,
      );
    });
  }
  return parts.join('');
}

/** Heights at least a line apart, in the given order; each crowd is centred on what it stands for. */
function spreadOut(heights: readonly number[]): number[] {
  const crowds: { sum: number; count: number }[] = [];
  const top = ({ sum, count }: { sum: number; count: number }) => {
    const size = count * LINE;
    return Math.min(Math.max(sum / count - size / 2, 0), Math.max(0, HEIGHT - size));
  };
  for (const height of heights) {
    let crowd = { sum: height, count: 1 };
    for (let last = crowds.at(-1); last && top(last) + last.count * LINE > top(crowd); last = crowds.at(-1)) {
      crowd = { sum: crowd.sum + last.sum, count: crowd.count + last.count };
      crowds.pop();
    }
    crowds.push(crowd);
  }
  return crowds.flatMap((crowd) => Array.from({ length: crowd.count }, (_, i) => top(crowd) + (i + 0.5) * LINE));
}
