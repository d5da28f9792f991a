import * as THREE from 'three';
import {
  type Clip,
  createWorldPose,
  framePose,
  type Role,
  type RoleMap,
  restLocalPose,
  type Skeleton,
} from '../../src/index.ts';
import type { Colours } from './colours.ts';

const ENDS: Role[] = ['leftHand', 'rightHand', 'leftFoot', 'rightFoot'];
/** Seconds of the trail before the frame that is shown. */
const BEHIND = 0.8;

/** The way that hands and feet have come. */
export class Trails {
  readonly group = new THREE.Group();
  private lines: { line: THREE.Line; side: 'left' | 'right' }[] = [];
  private clip: Clip | null = null;

  /** Does nothing when it has the clip already. */
  set(skeleton: Skeleton, roles: RoleMap, clip: Clip): void {
    if (clip === this.clip) return;
    this.clear();
    this.clip = clip;
    const scratch = restLocalPose(skeleton);
    const pose = createWorldPose(skeleton.jointCount);
    const ends = ENDS.flatMap((role) => (roles[role] === undefined ? [] : [{ role, joint: roles[role] }]));
    const paths = ends.map(() => new Float32Array(clip.frameCount * 3));
    for (let f = 0; f < clip.frameCount; f++) {
      framePose(skeleton, clip, f, scratch, pose);
      ends.forEach(({ joint }, i) => {
        paths[i]!.set(pose.positions.subarray(joint * 3, joint * 3 + 3), f * 3);
      });
    }
    ends.forEach(({ role }, i) => {
      const geometry = new THREE.BufferGeometry();
      geometry.setAttribute('position', new THREE.BufferAttribute(paths[i]!, 3));
      const line = new THREE.Line(geometry, new THREE.LineBasicMaterial());
      line.frustumCulled = false;
      this.lines.push({ line, side: role.startsWith('left') ? 'left' : 'right' });
      this.group.add(line);
    });
  }

  show(frame: number, colours: Colours): void {
    const behind = Math.round(BEHIND / (this.clip?.frameDuration ?? 1 / 60));
    for (const { line, side } of this.lines) {
      const from = Math.max(0, frame - behind);
      line.geometry.setDrawRange(from, frame - from + 1);
      (line.material as THREE.LineBasicMaterial).color.set(colours[side]);
    }
  }

  clear(): void {
    for (const { line } of this.lines) {
      line.geometry.dispose();
      (line.material as THREE.Material).dispose();
    }
    this.lines = [];
    this.clip = null;
    this.group.clear();
  }
}
