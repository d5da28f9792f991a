import * as THREE from 'three';
import { correctionDirections, correctionRotation, ROLES, type Role } from '../../src/index.ts';
import { correctionOf, setCorrection } from '../model/posture.ts';
import { receiver } from '../model/store.ts';
import { swingBetween } from '../model/swing.ts';
import type { Stage } from './stage.ts';

/** Radius of the ring about a joint that twists it, and how far from it a press still counts. Pixels. */
export const RING = 30;
const RING_REACH = 8;

/**
 * A drag keeps the places that it began with: a swing or twist does not move the joint it turns about, while the figure on
 * the stage lags behind the pointer by the time that a recomputed posture takes to arrive.
 */
type Drag = { role: Role; joint: number; pivot: THREE.Vector3 } & (
  | { kind: 'swing'; grip: THREE.Vector3; from: THREE.Vector3 }
  | { kind: 'twist'; angle: number; start: number }
);

/** The role whose segment ends at a joint: dragging a hand swings the lower arm. */
function roleAbove(joint: number): { role: Role; joint: number } | null {
  const data = receiver.value;
  if (!data) return null;
  for (let j = data.skeleton.parents[joint]!; j >= 0; j = data.skeleton.parents[j]!) {
    const role = ROLES.find((each) => data.roles[each] === j);
    if (role) return { role, joint: j };
  }
  return null;
}

/** Where a joint stands in pixels. */
function onScreen(stage: Stage, world: THREE.Vector3, width: number, height: number): [number, number, number] {
  const point = world.clone().project(stage.camera);
  return [((point.x + 1) / 2) * width, ((1 - point.y) / 2) * height, point.z];
}

/** Begins a drag at a joint: its segment's swing, or the twist where the ring about the chosen joint is pressed. */
export function beginDrag(
  stage: Stage,
  joint: number | null,
  chosen: number | null,
  x: number,
  y: number,
  width: number,
  height: number,
): Drag | null {
  const data = receiver.value;
  if (!data) return null;
  if (chosen !== null) {
    const role = ROLES.find((each) => data.roles[each] === chosen);
    const world = stage.worldOf('target', chosen);
    if (role && world) {
      const [cx, cy] = onScreen(stage, world, width, height);
      if (Math.abs(Math.hypot(x - cx, y - cy) - RING) < RING_REACH) {
        return {
          kind: 'twist',
          role,
          joint: chosen,
          pivot: world.clone(),
          angle: Math.atan2(y - cy, x - cx),
          start: correctionOf(role).twist,
        };
      }
    }
  }
  if (joint === null) return null;
  const above = roleAbove(joint);
  const base = stage.basePositions;
  if (!above || !base) return null;
  const from = new THREE.Vector3()
    .fromArray(base, joint * 3)
    .sub(new THREE.Vector3().fromArray(base, above.joint * 3))
    .normalize();
  const pivot = stage.worldOf('target', above.joint)?.clone();
  const grip = stage.worldOf('target', joint)?.clone();
  return pivot && grip && from.lengthSq() > 0 ? { kind: 'swing', ...above, pivot, grip, from } : null;
}

/** Follows the pointer: the segment's end goes where the pointer is, in the plane that faces the camera. */
export function followDrag(stage: Stage, drag: Drag, x: number, y: number, width: number, height: number): void {
  const { pivot } = drag;
  const now = correctionOf(drag.role);
  const [cx, cy] = onScreen(stage, pivot, width, height);
  if (drag.kind === 'twist') {
    const turned = Math.atan2(y - cy, x - cx) - drag.angle;
    const { along } = correctionDirections(drag.role);
    const towards = stage.camera.position.clone().sub(pivot);
    // Seen along the segment, a turn to the right on screen is one way round; seen against it, the other.
    const sense = new THREE.Vector3(...along).dot(towards) >= 0 ? -1 : 1;
    const hand = twistHand(drag.role);
    const degrees = (Math.atan2(Math.sin(turned), Math.cos(turned)) * 180) / Math.PI;
    setCorrection(drag.role, { ...now, twist: drag.start + sense * hand * degrees });
    return;
  }
  const ray = new THREE.Raycaster();
  ray.setFromCamera(new THREE.Vector2((x / width) * 2 - 1, 1 - (y / height) * 2), stage.camera);
  const facing = stage.camera.getWorldDirection(new THREE.Vector3());
  const plane = new THREE.Plane().setFromNormalAndCoplanarPoint(facing, drag.grip);
  const at = ray.ray.intersectPlane(plane, new THREE.Vector3());
  if (!at) return;
  const to = at.sub(pivot).normalize();
  // The twist is there before the swing.
  const twist = new THREE.Quaternion().fromArray(correctionRotation(drag.role, { twist: now.twist }));
  const from = drag.from.clone().applyQuaternion(twist);
  setCorrection(drag.role, { ...swingBetween(drag.role, from.toArray(), to.toArray()), twist: now.twist });
}

/** Whether a positive twist turns right-handedly about the segment: 1, or -1. */
function twistHand(role: Role): 1 | -1 {
  const { along, forward, outward } = correctionDirections(role);
  const axis = new THREE.Vector3().crossVectors(new THREE.Vector3(...forward), new THREE.Vector3(...outward));
  return axis.dot(new THREE.Vector3(...along)) >= 0 ? 1 : -1;
}

export type { Drag };
