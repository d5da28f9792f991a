import { effect, signal } from '@preact/signals';
import type { AuditResult, Fault, Job } from '../worker/protocol.ts';
import { client, job, WorkerFault } from './store.ts';

/** What a look at the rig found; null until it is asked for. */
export const rig = signal<AuditResult | null>(null);
export const isAuditing = signal(false);
export const rigTrouble = signal<Fault | null>(null);
/** Whether the exercise clip plays in place of the motion. */
export const playsExercise = signal(false);

let audited = '';

/** What an audit depends on. */
function keyOf({ character, mapping, spaces }: Job): string {
  return JSON.stringify([character.id, mapping.target, spaces.target]);
}

/** Audits the character if that is not done yet. */
export async function auditRig(): Promise<void> {
  const wanted = job.value;
  if (!wanted || audited === keyOf(wanted)) return;
  audited = keyOf(wanted);
  isAuditing.value = true;
  rigTrouble.value = null;
  try {
    const { result } = await client.ask({ type: 'audit', job: wanted }, 'audited');
    rig.value = result;
  } catch (error) {
    if (!(error instanceof WorkerFault)) throw error;
    rigTrouble.value = error.fault;
  } finally {
    isAuditing.value = false;
  }
}

// Another character is another rig.
effect(() => {
  const wanted = job.value;
  if (wanted && audited !== '' && audited !== keyOf(wanted)) {
    audited = '';
    rig.value = null;
    playsExercise.value = false;
  }
});
