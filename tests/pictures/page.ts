/**
 * The browser half of the picture renderer: draws figures at moments into one sheet with three.
 * It shares no code with `src`, so that a picture is evidence of its own.
 */
import * as THREE from 'three';
import { BVHLoader } from 'three/examples/jsm/loaders/BVHLoader.js';
import { DRACOLoader } from 'three/examples/jsm/loaders/DRACOLoader.js';
import { GLTFLoader } from 'three/examples/jsm/loaders/GLTFLoader.js';
import type { FigureJob, SheetJob, View } from './job.ts';

/** Left, right and middle: blue and vermilion of the colour-blind safe set of Okabe & Ito (2008). */
const SIDE_COLOURS = { left: 0x0072b2, right: 0xd55e00, middle: 0x333333 };
type Body = keyof typeof SIDE_COLOURS;

interface Figure {
  job: FigureJob;
  root: THREE.Object3D;
  /** Drawn joints; `parent` is the nearest drawn joint above, -1 for none. */
  joints: { node: THREE.Object3D; parent: number; body: Body }[];
  meshes: THREE.Mesh[];
  /** Seconds; clamps at the ends. Leaves world matrices up to date. */
  pose(time: number): void;
}

const gltfLoader = new GLTFLoader();
gltfLoader.setDRACOLoader(new DRACOLoader().setDecoderPath('/draco/'));
const renderer = new THREE.WebGLRenderer({ antialias: true });
const scratch = new THREE.Vector3();

/** The side a name states, by its separators and capitals; null when it states none. */
function sideInName(name: string): 'left' | 'right' | null {
  if (/left/i.test(name)) return 'left';
  if (/right/i.test(name)) return 'right';
  const token = /(?:^|[^a-z])([lr])(?:[^a-z]|$)/i.exec(name) ?? /^([lr])[A-Z]/.exec(name) ?? /[a-z]([LR])$/.exec(name);
  if (!token) return null;
  return token[1]!.toLowerCase() === 'l' ? 'left' : 'right';
}

/** Joints in tree order with sides: a child has its parent's side, so that a lying name deep in a limb does no harm. */
function collectJoints(root: THREE.Object3D, isJoint: (node: THREE.Object3D) => boolean): Figure['joints'] {
  const joints: Figure['joints'] = [];
  const visit = (node: THREE.Object3D, parent: number): void => {
    let at = parent;
    if (isJoint(node)) {
      const above = parent >= 0 ? joints[parent]!.body : 'middle';
      const body = above === 'middle' ? (sideInName(node.name) ?? 'middle') : above;
      at = joints.push({ node, parent, body }) - 1;
    }
    for (const child of node.children) visit(child, at);
  };
  visit(root, -1);
  return joints;
}

/** Without any named side, the side comes from where the joint stands: left is +X when the figure faces +Z. */
function sidesFromPlace(figure: Figure, left: THREE.Vector3): void {
  if (figure.joints.some((joint) => joint.body !== 'middle')) return;
  figure.pose(0);
  const height = extent(figure).height;
  const centre = figure.joints[0]!.node.getWorldPosition(new THREE.Vector3()).dot(left);
  for (const joint of figure.joints) {
    const aside = joint.node.getWorldPosition(scratch).dot(left) - centre;
    if (Math.abs(aside) > height * 0.03) joint.body = aside > 0 ? 'left' : 'right';
  }
}

async function loadFigure(job: FigureJob): Promise<Figure> {
  const figure =
    job.kind === 'bvh' ? await loadBvh(job) : job.kind === 'positions' ? await loadPositions(job) : await loadGltf(job);
  if (figure.joints.length === 0) throw new Error(`${job.label}: no joint to draw`);
  sidesFromPlace(figure, new THREE.Vector3(...(job.left ?? [1, 0, 0])));
  return figure;
}

/** A turned parent: Z-up data stands up, and the floor stays at height 0. */
function upright(job: FigureJob, inner: THREE.Object3D): THREE.Object3D {
  const root = new THREE.Group();
  if (job.up === 'z') root.rotation.x = -Math.PI / 2;
  root.add(inner);
  return root;
}

async function loadBvh(job: FigureJob): Promise<Figure> {
  const text = await (await fetch(job.url)).text();
  const { skeleton, clip } = new BVHLoader().parse(text);
  // The loader adds OFFSET to the position channels; in practice position channels replace the offset.
  for (const bone of skeleton.bones) {
    const track = clip.tracks.find((t) => t.name === `${bone.name}.position`);
    if (!track) continue;
    const { x, y, z } = bone.position;
    const doubled = Math.hypot(track.values[0]! - 2 * x, track.values[1]! - 2 * y, track.values[2]! - 2 * z) < 1e-3;
    if (bone !== skeleton.bones[0] && !doubled) continue;
    for (let i = 0; i < track.values.length; i += 3) {
      track.values[i]! -= x;
      track.values[i + 1]! -= y;
      track.values[i + 2]! -= z;
    }
  }
  const root = upright(job, skeleton.bones[0]!);
  const mixer = new THREE.AnimationMixer(skeleton.bones[0]!);
  const action = mixer.clipAction(clip).setLoop(THREE.LoopOnce, 1).play();
  action.clampWhenFinished = true;
  const joints = collectJoints(root, (node) => node instanceof THREE.Bone);
  return { job, root, joints, meshes: [], pose: (time) => seek(mixer, action, root, time) };
}

function seek(mixer: THREE.AnimationMixer, action: THREE.AnimationAction, root: THREE.Object3D, time: number): void {
  action.reset().play();
  mixer.setTime(Math.min(Math.max(time, 0), action.getClip().duration));
  root.updateMatrixWorld(true);
}

/** World positions made elsewhere: see `PositionsFile`. */
async function loadPositions(job: FigureJob): Promise<Figure> {
  const file = (await (await fetch(job.url)).json()) as {
    names: string[];
    parents: number[];
    frameDuration: number;
    frames: number[][];
  };
  const root = upright(job, new THREE.Group());
  const holder = root.children[0]!;
  const joints: Figure['joints'] = file.names.map((name, j) => {
    const node = new THREE.Object3D();
    node.name = name;
    holder.add(node);
    return { node, parent: file.parents[j]!, body: 'middle' };
  });
  for (const joint of joints) {
    const above = joint.parent >= 0 ? joints[joint.parent]!.body : 'middle';
    joint.body = above === 'middle' ? (sideInName(joint.node.name) ?? 'middle') : above;
  }
  const pose = (time: number): void => {
    const f = Math.min(file.frames.length - 1, Math.max(0, Math.round(time / file.frameDuration)));
    joints.forEach(({ node }, j) => {
      node.position.fromArray(file.frames[f]!, j * 3);
    });
    root.updateMatrixWorld(true);
  };
  return { job, root, joints, meshes: [], pose };
}

async function loadGltf(job: FigureJob): Promise<Figure> {
  const gltf = await gltfLoader.loadAsync(job.url);
  const root = new THREE.Group();
  root.add(gltf.scene);
  const meshes: THREE.Mesh[] = [];
  let boneCount = 0;
  gltf.scene.traverse((node) => {
    if (node instanceof THREE.Mesh) meshes.push(node);
    if (node instanceof THREE.Bone) boneCount++;
  });
  for (const mesh of meshes) mesh.frustumCulled = false;
  const insideMesh = (node: THREE.Object3D): boolean => {
    for (let n: THREE.Object3D | null = node; n; n = n.parent) if (n instanceof THREE.Mesh) return true;
    return false;
  };
  const isJoint =
    boneCount > 0
      ? // Plain nodes right below a joint mark the end of a limb.
        (node: THREE.Object3D) => node instanceof THREE.Bone || (node.parent instanceof THREE.Bone && !insideMesh(node))
      : (node: THREE.Object3D) => node !== root && node !== gltf.scene && !insideMesh(node) && node.name !== '';
  const joints = collectJoints(root, isJoint);
  let animation = gltf.animations[0];
  if (typeof job.animation === 'number') animation = gltf.animations[job.animation];
  else if (job.animation !== undefined) animation = gltf.animations.find((clip) => clip.name === job.animation);
  if (job.animation !== undefined && !animation) {
    const known = gltf.animations.map((clip) => clip.name).join(', ') || 'none';
    throw new Error(`${job.label}: no animation ${job.animation}; the file has ${known}`);
  }
  if (job.animation === null || !animation) {
    return { job, root, joints, meshes, pose: () => root.updateMatrixWorld(true) };
  }
  const mixer = new THREE.AnimationMixer(gltf.scene);
  const action = mixer.clipAction(animation).setLoop(THREE.LoopOnce, 1).play();
  action.clampWhenFinished = true;
  return { job, root, joints, meshes, pose: (time) => seek(mixer, action, root, time) };
}

/** Height over the floor plane and lowest point of a posed figure, joints and skinned vertices. */
function extent(figure: Figure): { low: number; high: number; height: number } {
  let low = Number.POSITIVE_INFINITY;
  let high = Number.NEGATIVE_INFINITY;
  const take = (y: number): void => {
    low = Math.min(low, y);
    high = Math.max(high, y);
  };
  for (const { node } of figure.joints) take(node.getWorldPosition(scratch).y);
  for (const mesh of figure.meshes) {
    const position = mesh.geometry.getAttribute('position');
    const step = Math.max(1, Math.floor(position.count / 400));
    for (let v = 0; v < position.count; v += step) {
      mesh.getVertexPosition(v, scratch);
      take(scratch.applyMatrix4(mesh.matrixWorld).y);
    }
  }
  return { low, high, height: high - low };
}

/** The joint that the pictures are centred on. */
function pelvisOf(figure: Figure): THREE.Object3D {
  const named = figure.joints.find(({ node }) => /hip|pelvis|body/i.test(node.name));
  return (named ?? figure.joints[0]!).node;
}

/** A name without its side, the same for both partners of a pair. */
function nameWithoutSide(name: string): string {
  const plain = name.replace(/left|right/i, '');
  if (plain !== name) return plain.toLowerCase();
  return name
    .replace(/(^|[^a-z])[lr](?=[^a-z]|$)/i, '$1')
    .replace(/^[lr](?=[A-Z])/, '')
    .replace(/([a-z])[LR]$/, '$1')
    .toLowerCase();
}

/** Horizontal facing of a pose, radians from +Z: left of the body × up, from pairs of joints where limbs begin. */
function facingOf(figure: Figure): number {
  const starts = figure.joints.filter(
    ({ parent, body }) => body !== 'middle' && (parent < 0 || figure.joints[parent]!.body === 'middle'),
  );
  const places = (side: Body) =>
    new Map(
      starts
        .filter(({ body }) => body === side)
        .map(({ node }) => [nameWithoutSide(node.name), node.getWorldPosition(new THREE.Vector3())]),
    );
  const rights = places('right');
  const across = new THREE.Vector3();
  for (const [name, left] of places('left')) {
    const right = rights.get(name);
    if (right) across.add(left).sub(right);
  }
  if (across.lengthSq() === 0) {
    // No names to go by: the middles of both sides.
    for (const { node, body } of starts) {
      across.addScaledVector(node.getWorldPosition(scratch), body === 'left' ? 1 : -1);
    }
  }
  const facing = across.cross(new THREE.Vector3(0, 1, 0));
  return Math.hypot(facing.x, facing.z) < 1e-9 ? 0 : Math.atan2(facing.x, facing.z);
}

const CYLINDER = new THREE.CylinderGeometry(1, 1, 1, 8).translate(0, 0.5, 0);
const BALL = new THREE.SphereGeometry(1, 10, 8);

/** A stick figure that follows the joints; over a mesh it is thin and always visible. */
function sticks(figure: Figure, height: number): { group: THREE.Group; update(): void } {
  const group = new THREE.Group();
  const over = figure.meshes.length > 0;
  const materials = new Map<Body | 'control', THREE.Material>();
  for (const body of ['left', 'right', 'middle', 'control'] as const) {
    const color = body === 'control' ? 0xbbbbbb : SIDE_COLOURS[body];
    const material = over
      ? new THREE.MeshBasicMaterial({ color, depthTest: false, transparent: true, opacity: 0.9 })
      : new THREE.MeshLambertMaterial({ color });
    materials.set(body, material);
  }
  const radius = height * (over ? 0.0045 : 0.011);
  const parts = figure.joints.map((joint) => {
    const ball = new THREE.Mesh(BALL, materials.get(joint.body)!);
    const bar = new THREE.Mesh(CYLINDER, materials.get(joint.body)!);
    ball.renderOrder = bar.renderOrder = 10;
    ball.frustumCulled = bar.frustumCulled = false;
    group.add(ball, bar);
    return { joint, ball, bar };
  });
  const from = new THREE.Vector3();
  const to = new THREE.Vector3();
  const update = (): void => {
    for (const { joint, ball, bar } of parts) {
      joint.node.getWorldPosition(to);
      ball.position.copy(to);
      const parent = joint.parent >= 0 ? figure.joints[joint.parent]! : null;
      if (!parent) {
        ball.scale.setScalar(radius);
        bar.visible = false;
        continue;
      }
      parent.node.getWorldPosition(from);
      const length = from.distanceTo(to);
      // A long line from a top joint is no limb: a control, or the root on the floor.
      const control = parent.parent < 0 && length > height * 0.2;
      const thick = control ? radius * 0.3 : length < height * 0.035 ? radius * 0.5 : radius;
      bar.material = materials.get(control ? 'control' : joint.body)!;
      bar.visible = length > 1e-9;
      ball.scale.setScalar(length < height * 0.035 ? thick * 1.2 : radius * 1.4);
      bar.position.copy(from);
      bar.quaternion.setFromUnitVectors(new THREE.Vector3(0, 1, 0), to.clone().sub(from).normalize());
      bar.scale.set(thick, Math.max(length, 1e-9), thick);
    }
  };
  return { group, update };
}

function soften(figure: Figure, opacity: number): void {
  if (opacity >= 1) return;
  for (const mesh of figure.meshes) {
    const list = Array.isArray(mesh.material) ? mesh.material : [mesh.material];
    for (const material of list) {
      material.transparent = true;
      material.opacity *= opacity;
      material.depthWrite = true;
    }
  }
}

function lightAndFloor(scene: THREE.Scene, size: number, floor: number): THREE.GridHelper {
  scene.background = new THREE.Color(0xf7f7f5);
  scene.add(new THREE.HemisphereLight(0xffffff, 0x9a9488, 2.2));
  const sun = new THREE.DirectionalLight(0xffffff, 1.8);
  sun.position.set(0.6, 1.2, 0.9);
  scene.add(sun, sun.target);
  const grid = new THREE.GridHelper(size * 4, 40, 0x9aa0a6, 0xcfd3d6);
  grid.position.y = floor;
  scene.add(grid);
  return grid;
}

async function drawFigure(
  context: CanvasRenderingContext2D,
  job: SheetJob,
  figureJob: FigureJob,
  top: number,
): Promise<void> {
  const figure = await loadFigure(figureJob);
  const { cellWidth, cellHeight, labelWidth, times, views } = job;
  const offset = figureJob.timeOffset ?? 0;
  let height = 0;
  for (const time of times) {
    figure.pose(time + offset);
    height = Math.max(height, extent(figure).height);
  }
  if (!(height > 0)) height = 1;
  const scene = new THREE.Scene();
  const floor = figureJob.floor ?? 0;
  const grid = lightAndFloor(scene, height, floor);
  scene.add(figure.root);
  const stick = sticks(figure, height);
  if (figure.meshes.length === 0 || figureJob.overlay) scene.add(stick.group);
  if (figureJob.overlay) soften(figure, figureJob.meshOpacity ?? 0.75);
  const span = height * 1.35;
  const aspect = cellWidth / cellHeight;
  const camera = new THREE.OrthographicCamera((-span * aspect) / 2, (span * aspect) / 2, span / 2, -span / 2, 0.01, 1);
  camera.far = height * 40;
  camera.near = height * 0.01;
  camera.updateProjectionMatrix();
  const pelvis = pelvisOf(figure);
  let turn = 0;
  times.forEach((time, column) => {
    figure.pose(time + offset);
    stick.update();
    if (job.facing === 'moment' || (job.facing === 'initial' && column === 0)) turn = facingOf(figure);
    const centre = pelvis.getWorldPosition(new THREE.Vector3());
    grid.position.x = Math.round(centre.x / (height / 10)) * (height / 10);
    grid.position.z = Math.round(centre.z / (height / 10)) * (height / 10);
    const above = centre.y - floor;
    // Normally from just under the floor to over the head; a figure far from the floor is followed.
    const lift = above > height * 0.9 ? above - height * 0.9 : above < -height * 0.1 ? above + height * 0.1 : 0;
    centre.y = floor + height * 0.53 + lift;
    views.forEach((view, row) => {
      place(camera, centre, turn + viewAngle(view), (job.elevationDegrees * Math.PI) / 180, height);
      renderer.render(scene, camera);
      const x = labelWidth + column * cellWidth;
      const y = top + row * cellHeight;
      context.drawImage(renderer.domElement, x, y);
      context.fillStyle = '#222';
      context.font = '13px sans-serif';
      context.fillText(`${time.toFixed(2)} s`, x + 6, y + 16);
    });
  });
  views.forEach((view, row) => {
    label(context, `${figureJob.label} · ${view}`, top + row * cellHeight, cellHeight, labelWidth);
  });
  renderer.renderLists.dispose();
  scene.traverse((node) => {
    if (!(node instanceof THREE.Mesh)) return;
    if (node.geometry !== CYLINDER && node.geometry !== BALL) node.geometry.dispose();
    for (const material of Array.isArray(node.material) ? node.material : [node.material]) {
      if (material.map) material.map.dispose();
      material.dispose();
    }
  });
}

function viewAngle(view: View): number {
  return { front: 0, side: Math.PI / 2, back: Math.PI, right: -Math.PI / 2, threeQuarter: Math.PI / 5 }[view];
}

/** Looks at `centre` from the facing direction turned by `angle` about the vertical; 'side' sees the figure's left. */
function place(camera: THREE.Camera, centre: THREE.Vector3, angle: number, elevation: number, height: number): void {
  const reach = height * 12;
  camera.position.set(
    centre.x + Math.sin(angle) * Math.cos(elevation) * reach,
    centre.y + Math.sin(elevation) * reach,
    centre.z + Math.cos(angle) * Math.cos(elevation) * reach,
  );
  camera.lookAt(centre);
}

function label(context: CanvasRenderingContext2D, text: string, y: number, cellHeight: number, width: number): void {
  context.save();
  context.translate(width / 2 + 5, y + cellHeight / 2);
  context.rotate(-Math.PI / 2);
  context.textAlign = 'center';
  context.fillStyle = '#222';
  context.font = '13px sans-serif';
  context.fillText(text, 0, 0, cellHeight - 8);
  context.restore();
}

async function drawSheet(job: SheetJob): Promise<string> {
  const titleHeight = 34;
  const rows = job.figures.length * job.views.length;
  const canvas = document.createElement('canvas');
  canvas.width = job.labelWidth + job.times.length * job.cellWidth;
  canvas.height = titleHeight + rows * job.cellHeight;
  const context = canvas.getContext('2d')!;
  context.fillStyle = '#ffffff';
  context.fillRect(0, 0, canvas.width, canvas.height);
  renderer.setSize(job.cellWidth, job.cellHeight, false);
  let top = titleHeight;
  for (const figure of job.figures) {
    await drawFigure(context, job, figure, top);
    top += job.views.length * job.cellHeight;
  }
  context.strokeStyle = '#d8d8d4';
  for (let row = 0; row <= rows; row++) {
    context.strokeRect(0, titleHeight + row * job.cellHeight - 0.5, canvas.width, 0);
  }
  for (let column = 0; column <= job.times.length; column++) {
    context.strokeRect(job.labelWidth + column * job.cellWidth - 0.5, titleHeight, 0, canvas.height);
  }
  context.fillStyle = '#111';
  context.font = 'bold 16px sans-serif';
  context.fillText(job.title, 10, 22, canvas.width - 190);
  context.font = '13px sans-serif';
  context.textAlign = 'right';
  context.fillStyle = '#0072b2';
  context.fillText('left', canvas.width - 62, 22);
  context.fillStyle = '#d55e00';
  context.fillText('right', canvas.width - 14, 22);
  return canvas.toDataURL('image/png');
}

declare global {
  interface Window {
    drawSheet: (job: SheetJob) => Promise<string>;
  }
}
window.drawSheet = drawSheet;
