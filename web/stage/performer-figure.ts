import * as THREE from 'three';
import type { Skeleton, WorldPose } from '../../src/index.ts';
import type { Colours } from './colours.ts';
import type { BodySide } from './poses.ts';

/** Thickest part of a bone: a share of its own length, and of the figure's height at the most. */
const THICK_SHARE = 0.13;
const THICK_MAX = 0.017;
const SIDES: BodySide[] = ['left', 'right', 'middle'];
/** Corners of a bone's section: sides differ in shape, not in colour alone. Round is left, square is right. */
const CORNERS: Record<BodySide, number> = { left: 12, right: 4, middle: 6 };

interface Bone {
  from: number;
  /** A joint, or -1 for a tip. */
  to: number;
  tip: readonly [number, number, number] | null;
}

/** A skeleton drawn as spindles from joint to joint. */
export class PerformerFigure {
  readonly group = new THREE.Group();
  private readonly meshes: Record<BodySide, THREE.InstancedMesh>;
  private readonly bones: Record<BodySide, Bone[]> = { left: [], right: [], middle: [] };
  private readonly materials: Record<BodySide, THREE.MeshStandardMaterial>;
  private readonly thickest: number;
  private readonly matrix = new THREE.Matrix4();
  private readonly a = new THREE.Vector3();
  private readonly b = new THREE.Vector3();
  private readonly along = new THREE.Vector3();
  private readonly turn = new THREE.Quaternion();
  private readonly rotation = new THREE.Quaternion();
  private readonly size = new THREE.Vector3();
  private static readonly UP = new THREE.Vector3(0, 1, 0);

  constructor(skeleton: Skeleton, sides: readonly BodySide[], height: number, drawn: (joint: number) => boolean) {
    this.thickest = THICK_MAX * height;
    for (let j = 0; j < skeleton.jointCount; j++) {
      const parent = skeleton.parents[j]!;
      if (parent >= 0 && drawn(j)) this.bones[sides[j]!].push({ from: parent, to: j, tip: null });
    }
    for (const { joint, offset } of skeleton.tips) {
      if (drawn(joint)) this.bones[sides[joint]!].push({ from: joint, to: -1, tip: offset });
    }
    this.materials = Object.fromEntries(
      SIDES.map((side) => [side, new THREE.MeshStandardMaterial({ roughness: 0.75, flatShading: side === 'right' })]),
    ) as Record<BodySide, THREE.MeshStandardMaterial>;
    this.meshes = Object.fromEntries(
      SIDES.map((side) => {
        const mesh = new THREE.InstancedMesh(
          spindle(CORNERS[side]),
          this.materials[side],
          Math.max(1, this.bones[side].length),
        );
        mesh.count = this.bones[side].length;
        mesh.frustumCulled = false;
        mesh.castShadow = true;
        this.group.add(mesh);
        return [side, mesh];
      }),
    ) as unknown as Record<BodySide, THREE.InstancedMesh>;
  }

  setPose({ positions, rotations }: WorldPose): void {
    for (const side of SIDES) {
      const mesh = this.meshes[side];
      this.bones[side].forEach(({ from, to, tip }, i) => {
        this.a.fromArray(positions, from * 3);
        if (tip) {
          this.rotation.fromArray(rotations, from * 4);
          this.b.fromArray(tip).applyQuaternion(this.rotation).add(this.a);
        } else {
          this.b.fromArray(positions, to * 3);
        }
        this.along.subVectors(this.b, this.a);
        const length = this.along.length();
        this.turn.setFromUnitVectors(
          PerformerFigure.UP,
          length > 0 ? this.along.divideScalar(length) : PerformerFigure.UP,
        );
        const thick = Math.min(THICK_SHARE * length, this.thickest);
        this.matrix.compose(this.a, this.turn, this.size.set(thick, length, thick));
        mesh.setMatrixAt(i, this.matrix);
      });
      mesh.instanceMatrix.needsUpdate = true;
    }
  }

  setColours(colours: Colours, faint: boolean): void {
    for (const side of SIDES) {
      const material = this.materials[side];
      material.color.set(colours[side]);
      material.transparent = faint;
      material.opacity = faint ? 0.8 : 1;
      material.needsUpdate = true;
    }
  }

  dispose(): void {
    for (const side of SIDES) {
      this.meshes[side].geometry.dispose();
      this.meshes[side].dispose();
      this.materials[side].dispose();
    }
  }
}

/** Unit length along +Y, thickest near its root. */
function spindle(corners: number): THREE.BufferGeometry {
  const outline = [
    [0, 0],
    [0.55, 0.04],
    [1, 0.16],
    [0.8, 0.5],
    [0.45, 0.92],
    [0, 1],
  ].map(([x, y]) => new THREE.Vector2(x, y));
  return new THREE.LatheGeometry(outline, corners);
}
