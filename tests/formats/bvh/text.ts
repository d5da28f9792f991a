import { type BvhFile, parseBvh } from '../../../src/formats/bvh/index.ts';

/** A file of one joint with the channels given, and the frame values as text. */
export function oneJoint(channels: string, values: string, frames = 1, frameTime = '0.04'): string {
  const count = channels === '' ? 0 : channels.split(' ').length;
  return `HIERARCHY
ROOT hips
{
  OFFSET 0 0 0
  CHANNELS ${count} ${channels}
  End Site
  {
    OFFSET 0 1 0
  }
}
MOTION
Frames: ${frames}
Frame Time: ${frameTime}
${values}
`;
}

export function read(text: string): BvhFile {
  return parseBvh(new TextEncoder().encode(text), 'test.bvh');
}

export function codes(file: BvhFile): string[] {
  return file.notes.map((note) => note.code);
}
