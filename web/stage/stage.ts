import * as THREE from 'three';
import { OrbitControls } from 'three/examples/jsm/controls/OrbitControls.js';
import { ROLES, restWorldPose } from '../../src/index.ts';
import type { Camera, FigureName } from '../model/view.ts';
import type { MotionData, PerformerData, ReceiverData } from '../worker/protocol.ts';
import { CharacterMesh } from './character-mesh.ts';
import { type Colours, coloursFor } from './colours.ts';
import { ErrorLines } from './error-lines.ts';
import { Ground } from './ground.ts';
import { PerformerFigure } from './performer-figure.ts';
import { createPoser, type Poser, sidesOf } from './poses.ts';
import { StretchMap } from './stretch.ts';
import { Trails } from './trails.ts';

export type Stance = 'motion' | 'rest' | 'canonical';

export interface Show {
  frame: number;
  stance: Stance;
  over: boolean;
  follows: boolean;
  prints: boolean;
  /** Values a vertex, or how far the skin is stretched; null for the character's own colours. */
  heat: readonly Float32Array[] | 'stretch' | null;
  trails: boolean;
  errors: boolean;
  /** What the character plays; the motion, unless it shows something else. */
  clip: MotionData['clip'] | null;
  /** Whether the character plays something that is not the performer's. */
  alone: boolean;
}

/** Leg of a grown person, metres: footprints are drawn for it. */
const USUAL_LEG = 0.85;

/** The picture: performer and character on a floor. Draws only when asked to. */
export class Stage {
  readonly camera = new THREE.PerspectiveCamera(32, 1, 0.05, 200);
  readonly controls: OrbitControls;
  readonly offsets: Record<FigureName, THREE.Vector3> = { source: new THREE.Vector3(), target: new THREE.Vector3() };
  performer: PerformerData | null = null;
  receiver: ReceiverData | null = null;
  motion: MotionData | null = null;
  posers: Partial<Record<FigureName, Poser>> = {};
  colours: Colours = coloursFor(false);
  /** The character's joints in the canonical posture as measured, without corrections. */
  basePositions: Float64Array | null = null;
  private readonly renderer: THREE.WebGLRenderer;
  private readonly scene = new THREE.Scene();
  private readonly fog = new THREE.Fog(0xffffff);
  private readonly ground = new Ground();
  private readonly trails = new Trails();
  private readonly errors = new ErrorLines();
  private stretch: StretchMap | null = null;
  private readonly sun = new THREE.DirectionalLight(0xffffff, 2.1);
  private figure: PerformerFigure | null = null;
  private mesh: CharacterMesh | null = null;
  private bones: PerformerFigure | null = null;
  private followed = new THREE.Vector3();
  private hasFramed = false;
  private faint: boolean | null = null;
  private heatShown: readonly Float32Array[] | null = null;
  /** How the figures stood when they were last drawn: they are elsewhere when it changes. */
  private place = '';
  private reach = 3;
  private stance: Stance = 'motion';

  constructor(canvas: HTMLCanvasElement, onChange: () => void) {
    this.renderer = new THREE.WebGLRenderer({ canvas, antialias: true, powerPreference: 'high-performance' });
    this.renderer.shadowMap.enabled = true;
    this.renderer.shadowMap.type = THREE.PCFShadowMap;
    this.controls = new OrbitControls(this.camera, canvas);
    this.controls.enableDamping = false;
    this.controls.maxPolarAngle = Math.PI * 0.55;
    this.controls.addEventListener('change', onChange);
    this.sun.castShadow = true;
    this.sun.shadow.mapSize.set(1024, 1024);
    this.scene.add(new THREE.HemisphereLight(0xffffff, 0x8d8678, 1.7), this.sun, this.sun.target, this.ground.group);
    this.scene.add(this.trails.group, this.errors.lines);
    this.camera.position.set(2.6, 1.7, 5.2);
    this.controls.target.set(0, 0.9, 0);
  }

  setTheme(dark: boolean): void {
    this.colours = coloursFor(dark);
    this.scene.background = new THREE.Color(this.colours.ground);
    this.scene.fog = this.fog;
    this.fog.color.set(this.colours.ground);
    this.ground.setColours(this.colours);
    this.faint = null;
  }

  resize(width: number, height: number, ratio: number): void {
    this.renderer.setPixelRatio(ratio);
    this.renderer.setSize(width, height, false);
    this.camera.aspect = width / Math.max(1, height);
    this.camera.updateProjectionMatrix();
  }

  setPerformer(data: PerformerData | null): void {
    if (data === this.performer) return;
    this.performer = data;
    if (this.figure) {
      this.scene.remove(this.figure.group);
      this.figure.dispose();
      this.figure = null;
    }
    if (!data) return;
    const { skeleton, roles, height, posture } = data;
    this.figure = new PerformerFigure(skeleton, sidesOf(skeleton, roles), height, () => true);
    this.scene.add(this.figure.group);
    this.posers.source = createPoser(skeleton, posture);
    this.faint = null;
  }

  setReceiver(data: ReceiverData | null, motion: MotionData | null): void {
    if (data === this.receiver && motion === this.motion) return;
    const isNew = data !== this.receiver;
    const wasEmpty = this.receiver === null;
    this.receiver = data;
    this.motion = motion;
    if (isNew) {
      for (const old of [this.mesh, this.bones]) {
        if (!old) continue;
        this.scene.remove(old.group);
        old.dispose();
      }
      this.mesh = null;
      this.bones = null;
      this.stretch = null;
      this.trails.clear();
    }
    if (!data) return;
    const { skeleton, roles, height } = data;
    if (isNew) {
      this.mesh = new CharacterMesh(data);
      this.scene.add(this.mesh.group);
      this.castOver(1.4 * Math.max(height, 1));
      if (!coversBody(data)) {
        this.bones = new PerformerFigure(skeleton, sidesOf(skeleton, roles), height, () => true);
        this.scene.add(this.bones.group);
      }
      this.faint = null;
      if (!wasEmpty) this.hasFramed = false;
    }
    this.posers.target = createPoser(skeleton, motion?.posture ?? data.posture, motion ?? undefined);
    this.basePositions = createPoser(skeleton, data.posture, motion ?? undefined).canonicalPositions;
    this.ground.setPrints(motion?.plants ?? [], data.height / (USUAL_LEG * 2));
  }

  /** Shadows reach this far, metres, from what is looked at. */
  private castOver(reach: number): void {
    this.reach = reach;
    const camera = this.sun.shadow.camera;
    camera.left = -reach;
    camera.right = reach;
    camera.top = reach;
    camera.bottom = -reach;
    camera.far = reach * 6;
    camera.updateProjectionMatrix();
  }

  /** What the performer is drawn at: in motion with legs as long as the character's, in a posture as tall as it. */
  get performerScale(): number {
    if (this.motion && this.stance === 'motion') return this.motion.scale;
    return this.performer && this.receiver ? this.receiver.height / this.performer.height : 1;
  }

  /** Distance between the figures when they stand side by side. */
  get gap(): number {
    const heights = [(this.performer?.height ?? 0) * this.performerScale, this.receiver?.height ?? 0];
    return 0.62 * Math.max(...heights, 0.5);
  }

  draw(show: Show): void {
    this.stance = show.stance;
    this.pose(show);
    const place = `${show.stance}${show.over}`;
    const isElsewhere = this.place !== place && (this.place.startsWith('canonical') || show.stance === 'canonical');
    this.place = place;
    if ((!this.hasFramed || isElsewhere) && this.receiver) {
      this.look(show.stance === 'canonical' ? 'front' : 'free');
      this.pose(show);
    }
    const faint = show.over;
    const heat = show.heat === 'stretch' ? this.stretchNow() : show.heat;
    if (this.faint !== faint || this.heatShown !== heat || show.heat === 'stretch') {
      this.figure?.setColours(this.colours, false);
      this.bones?.setColours(this.colours, faint);
      this.mesh?.setHeat(heat, this.colours, faint);
      this.faint = faint;
      this.heatShown = heat;
    }
    this.showAids(show);
    this.ground.showPrints(show.prints && show.stance === 'motion', this.offsets.target);
    this.renderer.render(this.scene, this.camera);
  }

  private stretchNow(): Float32Array[] | null {
    const { receiver, posers } = this;
    if (!receiver || !posers.target) return null;
    this.stretch ??= new StretchMap(receiver.skins, restWorldPose(receiver.skeleton));
    return this.stretch.values(posers.target.pose);
  }

  private showAids({ trails, errors, stance, clip, frame, alone }: Show): void {
    const { receiver, performer, posers } = this;
    const hasTrails = trails && stance === 'motion' && receiver !== null && clip !== null;
    this.trails.group.visible = hasTrails;
    if (hasTrails) {
      this.trails.set(receiver.skeleton, receiver.roles, clip);
      this.trails.show(frame, this.colours);
      this.trails.group.position.copy(this.offsets.target);
    }
    const hasErrors = errors && stance === 'motion' && !alone && performer !== null && receiver !== null;
    this.errors.lines.visible = hasErrors;
    if (hasErrors && posers.source && posers.target) {
      const source = { skeleton: performer.skeleton, roles: performer.roles, pose: posers.source.pose };
      const target = { skeleton: receiver.skeleton, roles: receiver.roles, pose: posers.target.pose };
      this.errors.set(source, target, this.colours);
      this.errors.lines.position.copy(this.offsets.target);
    }
  }

  private pose({ frame, stance, over, follows, clip, alone }: Show): void {
    const { performer, receiver } = this;
    const half = over ? 0 : this.gap / 2;
    this.offsets.source.set(-half, 0, 0);
    this.offsets.target.set(half, 0, 0);
    const take = (poser: Poser | undefined, clip: MotionData['clip'] | undefined): void => {
      if (!poser) return;
      if (stance === 'rest') poser.rest();
      else if (stance === 'canonical' || !clip || clip.frameCount === 0) poser.canonical();
      else poser.frame(clip, Math.min(frame, clip.frameCount - 1));
    };
    take(this.posers.source, alone ? undefined : performer?.clip);
    take(this.posers.target, clip ?? undefined);
    if (this.figure && this.posers.source) {
      this.figure.setPose(this.posers.source.pose);
      this.figure.group.scale.setScalar(this.performerScale);
      this.figure.group.position.copy(this.offsets.source);
    }
    if (this.posers.target) {
      this.mesh?.setPose(this.posers.target.pose);
      this.mesh?.group.position.copy(this.offsets.target);
      this.bones?.setPose(this.posers.target.pose);
      this.bones?.group.position.copy(this.offsets.target);
    }
    if (follows && receiver && this.posers.target) this.follow(receiver.roles.hips ?? 0);
    // The floor fades out behind the figures, however large they are.
    const distance = this.camera.position.distanceTo(this.controls.target);
    this.fog.near = distance * 1.5;
    this.fog.far = distance * 4;
    this.sun.position.copy(this.controls.target).add(new THREE.Vector3(2.2, 5, 3.4).multiplyScalar(this.reach / 3));
    this.sun.target.position.copy(this.controls.target);
  }

  /** Moves camera and what it looks at along with the hips, over the floor only. */
  private follow(hips: number): void {
    const { positions } = this.posers.target!.pose;
    const now = new THREE.Vector3(positions[hips * 3]!, 0, positions[hips * 3 + 2]!);
    const way = now.clone().sub(this.followed);
    this.followed.copy(now);
    this.controls.target.add(way);
    this.camera.position.add(way);
  }

  /** Brings both figures into the picture from one side. */
  look(from: Camera): void {
    const height = Math.max(this.receiver?.height ?? 1.7, (this.performer?.height ?? 0) * this.performerScale);
    const spread = this.offsets.target.x - this.offsets.source.x;
    const width = spread + height * 1.15;
    const hips = this.receiver?.roles.hips ?? 0;
    const at = this.posers.target?.pose.positions;
    const middle = new THREE.Vector3(at?.[hips * 3] ?? 0, height * 0.53, at?.[hips * 3 + 2] ?? 0);
    this.followed.set(middle.x, 0, middle.z);
    const field = Math.tan((this.camera.fov * Math.PI) / 360);
    const distance = Math.max((height * 1.4) / 2 / field, width / 2 / field / this.camera.aspect);
    const way = { free: [0.28, 0.2, 1], front: [0, 0.04, 1], side: [1, 0.04, 0], top: [0, 1, 0.01] }[from];
    this.controls.target.copy(middle);
    this.camera.position.fromArray(way).normalize().multiplyScalar(distance).add(middle);
    this.controls.update();
    this.hasFramed = true;
  }

  /** Turns the camera about what it looks at; radians. */
  orbit(turn: number, tilt: number): void {
    const arm = this.camera.position.clone().sub(this.controls.target);
    const polar = new THREE.Spherical().setFromVector3(arm);
    polar.theta += turn;
    polar.phi = Math.min(this.controls.maxPolarAngle, Math.max(0.02, polar.phi + tilt));
    this.camera.position.setFromSpherical(polar).add(this.controls.target);
    this.controls.update();
  }

  zoom(factor: number): void {
    this.camera.position.sub(this.controls.target).multiplyScalar(factor).add(this.controls.target);
    this.controls.update();
  }

  /** Looks at one joint of a figure, nearer than before. */
  lookAt(figure: FigureName, joint: number): void {
    const point = this.worldOf(figure, joint);
    if (!point) return;
    const arm = this.camera.position.clone().sub(this.controls.target);
    const height = this.receiver?.height ?? 1.7;
    arm.setLength(Math.min(arm.length(), height * 1.6));
    // A foot is looked at with the leg above it, not with the floor below.
    point.y = Math.max(point.y, 0.3 * height);
    this.controls.target.copy(point);
    this.camera.position.copy(point).add(arm);
    this.controls.update();
  }

  /** A joint's place in the picture's space, with the figure's offset and scale. */
  worldOf(figure: FigureName, joint: number): THREE.Vector3 | null {
    const positions = this.posers[figure]?.pose.positions;
    if (!positions || joint * 3 >= positions.length) return null;
    const scale = figure === 'source' ? this.performerScale : 1;
    return new THREE.Vector3()
      .fromArray(positions, joint * 3)
      .multiplyScalar(scale)
      .add(this.offsets[figure]);
  }

  /** Joints that are worth pointing at: those with a role, and whatever else is not a trimming. */
  jointsOf(figure: FigureName): number[] {
    const data = figure === 'source' ? this.performer : this.receiver;
    if (!data) return [];
    const hidden = new Set(data.helpers.filter(({ kind }) => kind === 'extra').map(({ joint }) => joint));
    const withRole = new Set(ROLES.flatMap((role) => data.roles[role] ?? []));
    return Array.from({ length: data.skeleton.jointCount }, (_, j) => j).filter(
      (j) => withRole.has(j) || !hidden.has(j),
    );
  }

  dispose(): void {
    this.controls.dispose();
    this.renderer.dispose();
  }
}

/** Whether the meshes show most of the body; where they do not, its joints are drawn. */
function coversBody({ skins, skeleton, roles }: ReceiverData): boolean {
  const moved = new Uint8Array(skeleton.jointCount);
  for (const { joints, weights } of skins) {
    for (let k = 0; k < joints.length; k++) if (weights[k]! > 0) moved[joints[k]!] = 1;
  }
  const limbs = ROLES.filter((role) => /Arm$|Leg$/.test(role) && roles[role] !== undefined);
  const shown = limbs.filter((role) => moved[roles[role]!]);
  return skins.length > 0 && (limbs.length === 0 || shown.length * 2 > limbs.length);
}
