/** The program of a worker thread: takes a task, answers with what its jobs came to. */
import { runTask } from './run-task.ts';

export default runTask;
