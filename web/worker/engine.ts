import type { DracoDecoder, Note, Performer, Receiver } from '../../src/index.ts';
import type { BareCharacter, BareMotion } from './bare-figures.ts';
import { auditOf, bareCharacterOf, bareMotionOf, performerOf, receiverOf } from './engine/bodies.ts';
import { deliverFile } from './engine/deliver.ts';
import { motionOf } from './engine/motion.ts';
import { openFile } from './engine/open.ts';
import { proofOf } from './engine/prove.ts';
import { emptyState, type Kept, type PairedMotion, type Proven } from './engine/state.ts';
import type { AuditResult, Delivered, DeliverForm, Job, OpenedInfo, OpenRequest } from './protocol.ts';

/** Everything that one job leads to, each part kept as long as what it depends on stays the same. */
export interface Engine {
  open(request: OpenRequest): Promise<{ info: OpenedInfo; notes: Note[] }>;
  performer(job: Job): Kept<Performer>;
  /** Looks the character over before any motion, and makes the exercise clip for it. */
  audit(job: Job): AuditResult;
  receiver(job: Job): Kept<Receiver>;
  /** The figures as far as they can be read where they are no human bodies yet. */
  bareMotion(job: Job): BareMotion;
  bareCharacter(job: Job): BareCharacter;
  motion(job: Job): Promise<PairedMotion>;
  /** Writes the motion, reads it back and proves it, as the command line does. */
  prove(job: Job): Promise<Proven>;
  deliver(job: Job, form: DeliverForm): Promise<Delivered>;
}

/** @param draco  gives the decoder for compressed meshes; called only when one is met */
export function createEngine(draco: () => Promise<DracoDecoder>): Engine {
  const state = emptyState(draco);
  return {
    open: (request) => openFile(state, request),
    performer: (job) => performerOf(state, job),
    audit: (job) => auditOf(state, job),
    receiver: (job) => receiverOf(state, job),
    bareMotion: (job) => bareMotionOf(state, job),
    bareCharacter: (job) => bareCharacterOf(state, job),
    motion: async (job) => (await motionOf(state, job)).value,
    prove: (job) => proofOf(state, job),
    deliver: (job, form) => deliverFile(state, job, form),
  };
}
