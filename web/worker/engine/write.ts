import { type DeliveryForm, type Motion, type Output, outputOf } from '../../../src/index.ts';
import type { Job } from '../protocol.ts';
import { stem } from './names.ts';

/** The motion of a job in the form that is asked for. */
export function write(motion: Motion, { clip, options }: Job, form: DeliveryForm): Output {
  const { keepAllKeys, int16 } = options;
  return outputOf(motion, { form, name: stem(clip.name), keepAllKeys, quantise: int16 ? 'int16' : 'float32' });
}
