import type {
  Audit,
  Clip,
  DeliveryForm,
  Exercise,
  FootContacts,
  HelperJoint,
  Mapping,
  Note,
  PairingReport,
  Place,
  Proof,
  Role,
  RoleMap,
  Skeleton,
  SkinMesh,
} from '../../src/index.ts';
import type { ClipEntry, Corrections, FileEntry, Options } from '../model/session.ts';

/** A fault of a file in a form that crosses to the page: the same words as on the command line. */
export interface Fault {
  code: string;
  message: string;
  place: Place;
  hint: string | null;
}

/** What one solve depends on, besides the bytes of the files. */
export interface Job {
  character: FileEntry;
  clip: ClipEntry;
  mapping: Mapping;
  spaces: { source: Corrections; target: Corrections };
  options: Options;
}

/** One line about a file: what was measured and why. */
export interface Fact {
  id: 'unit' | 'up' | 'facing' | 'rest' | 'rate' | 'floor' | 'height' | 'reference';
  title: string;
  value: string;
  evidence: string;
  unsure: boolean;
}

/** A joint's reading, for the page. */
export interface Reading {
  joint: number;
  confidence: number;
  evidence: string[];
}

/** One figure for display, in world space. */
export interface FigureData {
  /** Changes whenever anything in it does. */
  key: string;
  file: string;
  skeleton: Skeleton;
  roles: RoleMap;
  readings: Partial<Record<Role, Reading>>;
  helpers: HelperJoint[];
  /** World rotation of each joint in the canonical posture, jointCount × 4. */
  posture: Float64Array;
  /** Rest height in metres. */
  height: number;
  facts: Fact[];
  notes: Note[];
}

export interface PerformerData extends FigureData {
  clip: Clip;
  fps: number;
  droppedFrames: number;
}

/** What the surface of one mesh looks like, in the vertex order of its `SkinMesh`. */
export interface Surface {
  normals: Float32Array | null;
  uvs: Float32Array | null;
  /** Linear red, green, blue; vertexCount × 3. */
  colours: Float32Array;
  /** Runs of triangles with one material. */
  groups: { start: number; count: number; image: number | null; alphaMode: string; doubleSided: boolean }[];
}

export interface ReceiverData extends FigureData {
  skins: SkinMesh[];
  surfaces: (Surface | null)[];
  images: (ImageBitmap | null)[];
  /** Animations that the file brought along. */
  animations: string[];
}

/** The motion on the character. */
export interface MotionData {
  clip: Clip;
  contacts: FootContacts | null;
  plants: {
    side: 'left' | 'right';
    point: 'heel' | 'ball';
    start: number;
    end: number;
    position: [number, number, number];
  }[];
  /** Target leg length over source leg length. */
  scale: number;
  /** World rotation of each joint of the character in the canonical posture, corrected by hand. */
  posture: Float64Array;
  /** Parent that carries each joint of the character while it is solved, and its offset there: for posing. */
  carriers: Int16Array;
  carrierOffsets: Float64Array;
  notes: Note[];
  pairing: PairingReport;
  /** Milliseconds in the worker. */
  took: number;
}

/** The figures of a job. Absent where the page has them already. */
export interface Figures {
  performer?: PerformerData;
  receiver?: ReceiverData;
}

export interface Solved extends Figures {
  motion: MotionData;
}

/** What a dropped file turned out to be. */
export type OpenedInfo =
  | { kind: 'clip'; title: string; joints: number; frames: number }
  | {
      kind: 'character';
      joints: number;
      animations: { name: string; duration: number }[];
      hasMesh: boolean;
      humanoid: boolean;
    };

export interface OpenRequest {
  id: string;
  name: string;
  bytes: ArrayBuffer;
  /** Buffers of a .gltf that were dropped with it, by file name. */
  companions: { name: string; bytes: ArrayBuffer }[];
}

/** What a look at the rig found, and the routine that shows it. */
export interface AuditResult {
  audit: Audit;
  exercise: Exercise | null;
}

export type DeliverForm = DeliveryForm | 'mapping' | 'sheet';

export interface Delivered {
  name: string;
  bytes: Uint8Array<ArrayBuffer>;
}

export type ToWorker =
  | { type: 'open'; call: number; file: OpenRequest }
  | { type: 'solve'; call: number; job: Job; known: { performer: string; receiver: string } }
  | { type: 'deliver'; call: number; job: Job; form: DeliverForm }
  | { type: 'audit'; call: number; job: Job }
  | { type: 'verdict'; call: number; job: Job };

export type FromWorker =
  | { type: 'opened'; call: number; info: OpenedInfo; notes: Note[] }
  | { type: 'solved'; call: number; solved: Solved }
  | { type: 'proved'; call: number; proof: Proof; took: number }
  | { type: 'superseded'; call: number }
  | { type: 'delivered'; call: number; file: Delivered }
  | { type: 'verdict'; call: number; proof: Proof; files: Delivered[] }
  | { type: 'audited'; call: number; result: AuditResult }
  /** The two cannot be brought together; the figures are there to be looked at and paired by hand. */
  | { type: 'unsolved'; call: number; figures: Figures; fault: Fault }
  | { type: 'failed'; call: number; fault: Fault };
