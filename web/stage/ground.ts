import * as THREE from 'three';
import type { MotionData } from '../worker/protocol.ts';
import type { Colours } from './colours.ts';

const EXTENT = 24;

/** The floor: a grid of metres, and a print where a foot was planted. */
export class Ground {
  readonly group = new THREE.Group();
  private readonly grid = new THREE.LineSegments(
    new THREE.BufferGeometry(),
    new THREE.LineBasicMaterial({ vertexColors: true }),
  );
  private readonly shade = new THREE.Mesh(
    new THREE.PlaneGeometry(EXTENT * 4, EXTENT * 4).rotateX(-Math.PI / 2),
    new THREE.ShadowMaterial({ opacity: 0.16 }),
  );
  private readonly prints = new THREE.Group();
  private readonly shapes = {
    left: { heel: new THREE.CircleGeometry(0.035, 24), ball: new THREE.CircleGeometry(0.05, 24) },
    right: { heel: new THREE.PlaneGeometry(0.062, 0.062), ball: new THREE.PlaneGeometry(0.088, 0.088) },
  };
  private readonly materials = {
    left: new THREE.MeshBasicMaterial({ transparent: true, opacity: 0.55, depthWrite: false }),
    right: new THREE.MeshBasicMaterial({ transparent: true, opacity: 0.55, depthWrite: false }),
  };

  constructor() {
    this.shade.receiveShadow = true;
    this.shade.position.y = -0.001;
    for (const shape of Object.values(this.shapes).flatMap((side) => Object.values(side))) shape.rotateX(-Math.PI / 2);
    this.group.add(this.grid, this.shade, this.prints);
  }

  setColours(colours: Colours): void {
    const points: number[] = [];
    const tints: number[] = [];
    const faint = new THREE.Color(colours.grid);
    const strong = new THREE.Color(colours.gridStrong);
    const line = (x1: number, z1: number, x2: number, z2: number, colour: THREE.Color): void => {
      points.push(x1, 0, z1, x2, 0, z2);
      tints.push(...colour.toArray(), ...colour.toArray());
    };
    for (let i = -EXTENT * 2; i <= EXTENT * 2; i++) {
      const at = i / 2;
      const colour = i % 2 === 0 ? strong : faint;
      line(at, -EXTENT, at, EXTENT, colour);
      line(-EXTENT, at, EXTENT, at, colour);
    }
    this.grid.geometry.setAttribute('position', new THREE.Float32BufferAttribute(points, 3));
    this.grid.geometry.setAttribute('color', new THREE.Float32BufferAttribute(tints, 3));
    this.materials.left.color.set(colours.left);
    this.materials.right.color.set(colours.right);
  }

  /** @param size  leg length of the character over that of a grown person */
  setPrints(plants: MotionData['plants'], size: number): void {
    this.prints.clear();
    for (const { side, point, position } of plants) {
      const print = new THREE.Mesh(this.shapes[side][point], this.materials[side]);
      print.position.set(position[0], 0.002, position[2]);
      print.scale.setScalar(size);
      this.prints.add(print);
    }
  }

  showPrints(shown: boolean, offset: THREE.Vector3): void {
    this.prints.visible = shown;
    this.prints.position.copy(offset);
  }
}
