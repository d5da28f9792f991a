import * as THREE from 'three';
import type { FigureName, Picked } from '../model/view.ts';
import type { Stage } from './stage.ts';

/** A joint in the picture, in pixels. */
export interface Spot extends Picked {
  x: number;
  y: number;
  depth: number;
}

/** What is drawn over the picture with lines and text. */
export interface Marks {
  spots: readonly Spot[];
  /** Joint of the same role on the other figure, and how sure that is. */
  partnerOf: (spot: Picked) => { joint: number; sure: boolean } | null;
  hovered: Picked | null;
  picked: Picked | null;
  /** A line that is being drawn from a joint to the pointer. */
  drawing: { from: Picked; x: number; y: number } | null;
  litJoints: ReadonlySet<number>;
  /** A joint about which a ring to twist it is drawn, and its radius. */
  twistRing: { at: Picked; radius: number } | null;
  showJoints: boolean;
}

const other = (figure: FigureName): FigureName => (figure === 'source' ? 'target' : 'source');
const same = (a: Picked | null, b: Picked): boolean => a?.figure === b.figure && a.joint === b.joint;

/** Places of the joints of one figure in the picture. */
export function spotsOf(stage: Stage, figure: FigureName, width: number, height: number): Spot[] {
  const spots: Spot[] = [];
  const point = new THREE.Vector3();
  for (const joint of stage.jointsOf(figure)) {
    const world = stage.worldOf(figure, joint);
    if (!world) continue;
    point.copy(world).project(stage.camera);
    if (point.z > 1) continue;
    spots.push({ figure, joint, x: ((point.x + 1) / 2) * width, y: ((1 - point.y) / 2) * height, depth: point.z });
  }
  return spots;
}

/** The spot nearest to a point, no farther than `reach` pixels. */
export function nearestSpot(
  spots: readonly Spot[],
  x: number,
  y: number,
  reach: number,
  wanted?: FigureName,
): Spot | null {
  let best: Spot | null = null;
  let least = reach;
  for (const spot of spots) {
    if (wanted && spot.figure !== wanted) continue;
    const distance = Math.hypot(spot.x - x, spot.y - y);
    if (distance >= least) continue;
    least = distance;
    best = spot;
  }
  return best;
}

export function drawMarks(
  context: CanvasRenderingContext2D,
  stage: Stage,
  marks: Marks,
  width: number,
  height: number,
): void {
  const { colours } = stage;
  context.clearRect(0, 0, width, height);
  const find = (at: Picked): Spot | undefined => marks.spots.find((spot) => same(at, spot));
  if (marks.showJoints) {
    for (const spot of marks.spots) {
      const partner = marks.partnerOf(spot);
      ring(
        context,
        spot,
        partner ? 4.5 : 3,
        partner ? colours.ink : colours.quiet,
        partner ? colours.paper : null,
        partner?.sure === false,
      );
      if (partner && !partner.sure && spot.figure === 'source') {
        const there = find({ figure: 'target', joint: partner.joint });
        if (there) link(context, spot, there, colours.mark, [3, 4]);
      }
    }
  }
  for (const at of [marks.picked, marks.hovered]) {
    if (!at) continue;
    const spot = find(at);
    if (!spot) continue;
    const partner = marks.partnerOf(at);
    const there = partner && find({ figure: other(at.figure), joint: partner.joint });
    if (there) {
      link(context, spot, there, colours.ink, partner.sure ? [] : [3, 4]);
      ring(context, there, 7, colours.ink, colours.paper, false);
    }
    ring(context, spot, 7, colours.ink, colours.ink, false);
  }
  if (marks.twistRing) {
    const spot = find(marks.twistRing.at);
    if (spot) ring(context, spot, marks.twistRing.radius, colours.mark, null, false, 3);
  }
  if (marks.drawing) {
    const spot = find(marks.drawing.from);
    if (spot) link(context, spot, marks.drawing, colours.mark, []);
  }
  for (const joint of marks.litJoints) {
    const spot = find({ figure: 'target', joint });
    if (!spot) continue;
    ring(context, spot, 9, colours.mark, null, false, 3);
    cross(context, spot, colours.mark);
  }
}

function ring(
  context: CanvasRenderingContext2D,
  { x, y }: { x: number; y: number },
  radius: number,
  stroke: string,
  fill: string | null,
  dashed: boolean,
  width = 1.5,
): void {
  context.beginPath();
  context.arc(x, y, radius, 0, Math.PI * 2);
  if (fill) {
    context.fillStyle = fill;
    context.fill();
  }
  context.setLineDash(dashed ? [2, 2] : []);
  context.strokeStyle = stroke;
  context.lineWidth = width;
  context.stroke();
  context.setLineDash([]);
}

function cross(context: CanvasRenderingContext2D, { x, y }: Spot, stroke: string): void {
  context.beginPath();
  for (const sign of [-1, 1]) {
    context.moveTo(x - 3.5, y - 3.5 * sign);
    context.lineTo(x + 3.5, y + 3.5 * sign);
  }
  context.strokeStyle = stroke;
  context.lineWidth = 2;
  context.stroke();
}

function link(
  context: CanvasRenderingContext2D,
  a: { x: number; y: number },
  b: { x: number; y: number },
  stroke: string,
  dash: number[],
): void {
  context.beginPath();
  context.moveTo(a.x, a.y);
  // A gentle arch keeps links apart that would run through each other.
  context.quadraticCurveTo((a.x + b.x) / 2, Math.min(a.y, b.y) - Math.abs(a.x - b.x) * 0.08, b.x, b.y);
  context.setLineDash(dash);
  context.strokeStyle = stroke;
  context.lineWidth = 1.75;
  context.stroke();
  context.setLineDash([]);
}
