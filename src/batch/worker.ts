/** The program of a worker thread: takes a task, answers with what its jobs came to. */
import { openReceivers, runTask } from './run-task.ts';
import { triageClip } from './triage/triage-clip.ts';

export default runTask;
export { openReceivers as prepare, triageClip };
