import { PARENT_ROLE, type Role } from '../pairing/roles.ts';
import { LIMB_NAMES } from './build.ts';
import type { MeshVertex } from './measure.ts';
import { escapeXml } from './report-junit.ts';
import { type PosedSkin, silhouette, skinPoser } from './sheet-skin.ts';
import { jointPath, pelvisAxesOf, pointAt, type Track } from './track.ts';

/** A moment that is drawn: a frame, why it is shown, and what to look at. */
export interface Moment {
  frame: number;
  title: string;
  role: Role | null;
  fails: boolean;
  /** The vertex to look at, where that tells more than the joint of the role. */
  vertex?: MeshVertex;
}

/** A line of the drawing in world space, and which side of the body it is on. */
interface Stroke {
  points: number[][];
  side: 'left' | 'right' | 'middle';
}

interface Drawing {
  strokes: Stroke[];
  head: number[] | null;
  marked: number[] | null;
}

const HEIGHT = 190;
const NARROWEST = 96;
const WIDEST = 190;
const MARGIN = 14;
/** At least so much is shown, in leg lengths. */
const LEAST_HEIGHT = 2.4;
/** What lies deeper under the floor is cut off, in leg lengths. */
const DEEPEST = 0.5;
/** How far skin may reach beyond the joints and still be given room, in leg lengths. */
const SKIN_BEYOND = 0.5;
/** Radius of the head as drawn, in leg lengths. */
const HEAD_RADIUS = 0.13;

/** What has to fit into every drawing, so that all have one scale: metres below and above the floor, and to either side. */
interface Extent {
  below: number;
  above: number;
  aside: number;
}

/**
 * Draws all moments at one scale.
 * @param withSkin  behind the target's joints its skin, as a shape, and in it the edges that are torn
 */
export function drawMoments(target: Track, source: Track | null, moments: readonly Moment[], withSkin = false): string {
  const extent: Extent = { below: 0, above: LEAST_HEIGHT * target.legLength, aside: 0 };
  const include = (x: number, y: number, z: number, ground: number[], scale: number) => {
    extent.below = Math.max(extent.below, Math.min(-y * scale, DEEPEST * target.legLength));
    extent.above = Math.max(extent.above, y * scale);
    extent.aside = Math.max(extent.aside, Math.hypot(x - ground[0]!, z - ground[2]!) * scale);
  };
  const includeFigure = (track: Track, frame: number, scale: number) => {
    const ground = hipsOnFloor(track, frame);
    const { strokes: lines, head } = drawing(track, frame, null);
    for (const { points } of lines) for (const [x, y, z] of points) include(x!, y!, z!, ground, scale);
    if (head) extent.above = Math.max(extent.above, head[1]! * scale + HEAD_RADIUS * target.legLength);
  };
  for (const { frame } of moments) {
    includeFigure(target, frame, 1);
    if (source && frame < source.frameCount) includeFigure(source, frame, scaleTo(target, source));
  }
  const poseSkin = withSkin ? skinPoser(target) : null;
  const skins = moments.map(({ frame }) => poseSkin?.(frame) ?? null);
  // Hats and tails have to fit in, but not what was left at the origin.
  const most = {
    above: extent.above + SKIN_BEYOND * target.legLength,
    aside: extent.aside + SKIN_BEYOND * target.legLength,
  };
  moments.forEach(({ frame }, i) => {
    const ground = hipsOnFloor(target, frame);
    skins[i]?.vertices.forEach((at, m) => {
      for (const v of skins[i]!.whole[m]!) include(at[v * 3]!, at[v * 3 + 1]!, at[v * 3 + 2]!, ground, 1);
    });
  });
  extent.above = Math.min(extent.above, most.above);
  extent.aside = Math.min(extent.aside, most.aside);
  return moments.map((moment, i) => drawMoment(target, source, moment, extent, skins[i]!)).join('');
}

function scaleTo(target: Track, source: Track): number {
  return source.legLength > 0 && target.legLength > 0 ? target.legLength / source.legLength : 1;
}

/**
 * One moment, seen from the front and from the figure's left: the target drawn strong, the source behind it dashed,
 * scaled to the same leg and set down at the same place.
 */
function drawMoment(
  target: Track,
  source: Track | null,
  moment: Moment,
  extent: Extent,
  skin: PosedSkin | null,
): string {
  const { frame } = moment;
  const heading = headingAt(target, frame);
  const own = drawing(target, frame, moment.role);
  const ground = hipsOnFloor(target, frame);
  const hasSource = source !== null && frame < source.frameCount;
  const its = hasSource ? drawing(source, frame, null) : null;
  const scale = hasSource ? scaleTo(target, source) : 1;
  const room = HEIGHT - 2 * MARGIN;
  const aside = Math.max(extent.aside, 1e-9);
  const unit = Math.min(room / (extent.above + extent.below), (WIDEST - 2 * MARGIN) / 2 / aside);
  const width = Math.max(NARROWEST, 2 * (aside * unit + MARGIN));
  const floor = HEIGHT - MARGIN - extent.below * unit;
  const headRadius = HEAD_RADIUS * target.legLength * unit;
  const itsGround = hasSource ? hipsOnFloor(source, frame) : [0, 0, 0];
  const marked = (skin && moment.vertex && vertexOf(skin, moment.vertex)) ?? own.marked;
  const views = (['front', 'side'] as const).map((view) => {
    const project = (point: ArrayLike<number>, origin: number[], k: number): [number, number] => {
      const x = (point[0]! - origin[0]!) * k;
      const z = (point[2]! - origin[2]!) * k;
      // Seen from the front the figure's left is on the viewer's right; from its left it looks to the viewer's left.
      const across = view === 'front' ? x * heading[1]! - z * heading[0]! : -(x * heading[0]! + z * heading[1]!);
      return [width / 2 + across * unit, floor - point[1]! * k * unit];
    };
    const onTarget = (point: ArrayLike<number>) => project(point, ground, 1);
    const parts: string[] = [];
    if (skin) parts.push(`<path class="skin" d="${skinShape(skin, onTarget, width)}"/>`);
    parts.push(`<line class="floor" x1="6" x2="${n(width - 6)}" y1="${n(floor)}" y2="${n(floor)}"/>`);
    if (its) parts.push(`<g class="source">${strokes(its, headRadius, (p) => project(p, itsGround, scale))}</g>`);
    parts.push(`<g class="target">${strokes(own, headRadius, onTarget)}</g>`);
    if (skin && skin.torn.length > 0) parts.push(`<path class="torn" d="${tornLines(skin.torn, onTarget)}"/>`);
    if (marked) {
      let [x, y] = onTarget(marked);
      // A vertex that was thrown out of the picture: the joint tells where from.
      if (own.marked && (x < 0 || x > width || y < 0 || y > HEIGHT)) [x, y] = onTarget(own.marked);
      parts.push(`<circle class="mark" cx="${n(x)}" cy="${n(y)}" r="11"/>`);
    }
    const label = view === 'front' ? 'front' : 'from its left';
    return `<figure class="view"><svg viewBox="0 0 ${n(width)} ${HEIGHT}" role="img" aria-label="${escapeXml(`${moment.title}, frame ${frame}, ${label}`)}">${parts.join('')}</svg><figcaption>${label}</figcaption></figure>`;
  });
  const seconds = (frame * target.frameDuration).toFixed(2);
  const flag = moment.fails ? '<span class="flag">✕</span> ' : '';
  return `<article class="moment${moment.fails ? ' fails' : ''}"><h3>${flag}${escapeXml(moment.title)}</h3><p class="when">frame ${frame}, ${seconds} s</p><div class="views">${views.join('')}</div></article>`;
}

/** Where a vertex is; null when all its triangles are torn: it may be anywhere, and a mark there would point at nothing. */
function vertexOf(skin: PosedSkin, { mesh, index }: MeshVertex): number[] | null {
  const m = skin.names.indexOf(mesh);
  if (m < 0 || !skin.whole[m]!.includes(index)) return null;
  return Array.from(skin.vertices[m]!.subarray(index * 3, index * 3 + 3));
}

/** The skin as one shape, without its torn triangles: they would cover half of the picture. */
export function skinShape(
  { vertices, whole }: Pick<PosedSkin, 'vertices' | 'whole'>,
  project: (point: ArrayLike<number>) => [number, number],
  width: number,
  height = HEIGHT,
): string {
  const meshes = vertices.map((at, m) => {
    const flat = new Float64Array((at.length / 3) * 2);
    for (let v = 0; v < at.length / 3; v++) flat.set(project(at.subarray(v * 3, v * 3 + 3)), v * 2);
    return { flat, triangles: whole[m]! };
  });
  return silhouette(meshes, width, height);
}

function tornLines(torn: Float64Array, project: (point: ArrayLike<number>) => [number, number]): string {
  let path = '';
  for (let i = 0; i < torn.length; i += 6) {
    const [a, b] = [project(torn.subarray(i, i + 3)), project(torn.subarray(i + 3, i + 6))];
    path += `M${n(a[0])} ${n(a[1])}L${n(b[0])} ${n(b[1])}`;
  }
  return path;
}

function n(value: number): string {
  return value.toFixed(1);
}

function strokes(
  { strokes: lines, head }: Drawing,
  headRadius: number,
  project: (point: number[]) => [number, number],
): string {
  const parts = lines.map(({ points, side }) => {
    const path = points.map((point) => project(point).map(n).join(',')).join(' ');
    return `<polyline class="${side}" points="${path}"/>`;
  });
  if (head) {
    const [x, y] = project(head);
    parts.push(`<circle class="head" cx="${n(x)}" cy="${n(y)}" r="${n(headRadius)}"/>`);
  }
  return parts.join('');
}

/** Unit horizontal direction in which the pelvis faces, [x, z]. */
function headingAt(track: Track, f: number): [number, number] {
  const axes = pelvisAxesOf(track)?.subarray(f * 9, f * 9 + 9);
  if (!axes || Number.isNaN(axes[0])) return [0, 1];
  // Left × up: stays horizontal when the trunk bends.
  const x = -axes[2]!;
  const z = axes[0]!;
  const length = Math.hypot(x, z);
  return length > 1e-6 ? [x / length, z / length] : [0, 1];
}

function hipsOnFloor(track: Track, f: number): number[] {
  const { leftUpperLeg, rightUpperLeg, hips } = track.figure.roles;
  const a = leftUpperLeg ?? hips ?? rightUpperLeg;
  const b = rightUpperLeg ?? hips ?? leftUpperLeg;
  if (a === undefined || b === undefined) return [0, 0, 0];
  const p = jointPath(track, a);
  const q = jointPath(track, b);
  return [(p[f * 3]! + q[f * 3]!) / 2, 0, (p[f * 3 + 2]! + q[f * 3 + 2]!) / 2];
}

function drawing(track: Track, f: number, marked: Role | null): Drawing {
  const { roles } = track.figure;
  const at = (role: Role): number[] | null => {
    const joint = roles[role];
    if (joint === undefined) return null;
    return Array.from(jointPath(track, joint).subarray(f * 3, f * 3 + 3));
  };
  const lines: Stroke[] = [];
  const line = (side: Stroke['side'], points: (number[] | null)[]) => {
    const known = points.filter((point) => point !== null);
    if (known.length > 1) lines.push({ points: known, side });
  };
  const middle = (a: number[] | null, b: number[] | null) => (a && b ? a.map((x, k) => (x + b[k]!) / 2) : (a ?? b));
  const pelvis = middle(at('leftUpperLeg'), at('rightUpperLeg')) ?? at('hips');
  const shoulders = middle(at('leftUpperArm'), at('rightUpperArm'));
  // The far side is drawn first.
  for (const side of ['right', 'left'] as const) {
    for (const name of LIMB_NAMES) {
      const limb = track.limbs[name];
      if (!limb || !name.startsWith(side)) continue;
      const points = [limb.root, limb.middle, limb.end].map((point) => {
        const out = new Float64Array(3);
        pointAt(track, f, point, out, 0);
        return Array.from(out);
      });
      const isLeg = name.endsWith('Leg');
      line(side, [isLeg ? pelvis : shoulders, ...points]);
      // A detached foot leaves a gap that has to be seen, so the foot is a stroke of its own.
      if (isLeg) line(side, [points[2]!, at(`${side}Toes`)]);
    }
  }
  const spine = [at('spine'), at('chest'), at('upperChest')].filter((point) => point !== null);
  line('middle', [pelvis, ...spine, shoulders, at('neck'), at('head')]);
  const headJoint = at('head');
  const neck = at('neck') ?? shoulders;
  let head: number[] | null = headJoint;
  if (headJoint && neck) {
    const up = headJoint.map((x, k) => x - neck[k]!);
    const length = Math.hypot(...up) || 1;
    head = headJoint.map((x, k) => x + (up[k]! / length) * HEAD_RADIUS * track.legLength);
  }
  return { strokes: lines, head, marked: markAt(marked, at) };
}

/** Where a role is; for one that was not paired (skin has its part of the body all the same), where it hangs from. */
function markAt(role: Role | null, at: (role: Role) => number[] | null): number[] | null {
  for (let up = role; up !== null; up = PARENT_ROLE[up]) {
    const found = at(up);
    if (found) return found;
  }
  return null;
}
