import {
  type Body,
  directionName,
  inferFrameRate,
  type Performer,
  type Receiver,
  ROLES,
  readRestPose,
  restWorldPose,
  type Skeleton,
} from '../../src/index.ts';
import type { BareCharacter, BareMotion } from './bare-figures.ts';
import type { Fact, FigureData, PerformerData, Reading, ReceiverData } from './protocol.ts';

/** What is shown of a performer. Arrays are copies: the worker keeps its own. */
export function performerData(key: string, performer: Performer): PerformerData {
  const { actor, clip, body, motion, droppedFrames, notes, name } = performer;
  const rate = inferFrameRate(clip.frameDuration);
  const dropped = droppedFrames > 0 ? `; the first ${droppedFrames} are a rest pose and left out` : '';
  const facts: Fact[] = [
    ...bodyFacts(body, actor.skeleton),
    {
      id: 'rate',
      title: 'Rate',
      value: `${tidy(rate.fps)} frames a second`,
      evidence: `${clip.frameCount} frames of ${(clip.frameDuration * 1000).toFixed(2)} ms, ${(clip.frameCount * clip.frameDuration).toFixed(1)} s${dropped}`,
      unsure: notes.some(({ code }) => code === 'CLIP_RATE_DOUBT'),
    },
    {
      id: 'floor',
      title: 'Floor',
      value: `${centimetres(motion.floor * body.frame.metresPerUnit)} above the file's zero`,
      evidence: motion.evidence.floor,
      unsure: false,
    },
  ];
  return {
    ...figureData(key, name, actor.skeleton, body, actor.alignment.posture, facts),
    notes,
    clip: { ...clip, rotations: clip.rotations.slice(), translations: clip.translations.slice() },
    fps: rate.fps,
    droppedFrames,
  };
}

export function receiverData(key: string, receiver: Receiver): Omit<ReceiverData, 'surfaces' | 'images'> {
  const { character, actor, body, skins, notes } = receiver;
  const facts: Fact[] = [
    ...bodyFacts(body, actor.skeleton),
    {
      id: 'reference',
      title: 'Taken from',
      value: character.referencePose.kind,
      evidence: character.referencePose.reason,
      unsure: false,
    },
  ];
  return {
    ...figureData(key, character.name, actor.skeleton, body, actor.alignment.posture, facts),
    notes,
    skins,
    animations: character.animations.map(({ name }) => name),
  };
}

/** What is shown of a motion whose figure is no human body yet. */
export function bareMotionData({ key, name, skeleton, body, clip }: BareMotion): PerformerData {
  const { rotations } = restWorldPose(skeleton);
  return {
    ...figureData(key, name, skeleton, body, rotations, bodyFacts(body, skeleton)),
    notes: body.notes,
    clip,
    fps: inferFrameRate(clip.frameDuration).fps,
    droppedFrames: 0,
  };
}

export function bareCharacterData(bare: BareCharacter): Omit<ReceiverData, 'surfaces' | 'images'> {
  const { key, name, skeleton, body, skins, character } = bare;
  const { rotations } = restWorldPose(skeleton);
  return {
    ...figureData(key, name, skeleton, body, rotations, bodyFacts(body, skeleton)),
    notes: body.notes,
    skins,
    animations: character.animations.map((animation) => animation.name),
  };
}

function figureData(
  key: string,
  file: string,
  skeleton: Skeleton,
  body: Body,
  posture: Float64Array,
  facts: Fact[],
): Omit<FigureData, 'notes'> {
  const readings: FigureData['readings'] = {};
  for (const role of ROLES) {
    const joint = body.roles[role];
    if (joint === undefined) continue;
    const reading = body.readings[role];
    readings[role] = {
      joint,
      confidence: reading?.confidence ?? 1,
      evidence: reading?.evidence ?? ['set by hand'],
    } satisfies Reading;
  }
  const height = body.frame.height * body.frame.metresPerUnit;
  return { key, file, skeleton, roles: body.roles, readings, helpers: body.helpers, posture, height, facts };
}

function bodyFacts(body: Body, skeleton: Skeleton): Fact[] {
  const { frame } = body;
  const rest = readRestPose(skeleton, { roles: body.roles, frame: { up: [0, 1, 0], facing: [0, 0, 1] } });
  const kind = { T: 'T-pose', A: 'A-pose', other: 'neither T nor A' }[rest.kind];
  return [
    {
      id: 'unit',
      title: 'Unit',
      value: unitName(frame.metresPerUnit),
      evidence: frame.evidence.metresPerUnit,
      unsure: frame.unsure.includes('metresPerUnit'),
    },
    {
      id: 'height',
      title: 'Height',
      value: `${(frame.height * frame.metresPerUnit).toFixed(2)} m`,
      evidence: frame.evidence.height,
      unsure: false,
    },
    {
      id: 'up',
      title: 'Up',
      value: directionName(frame.up),
      evidence: frame.evidence.up,
      unsure: frame.unsure.includes('up'),
    },
    {
      id: 'facing',
      title: 'Facing',
      value: directionName(frame.facing),
      evidence: frame.evidence.facing,
      unsure: frame.unsure.includes('facing'),
    },
    { id: 'rest', title: 'Rest pose', value: kind, evidence: rest.evidence, unsure: false },
  ];
}

const UNITS: [number, string][] = [
  [1, 'metre'],
  [0.01, 'centimetre'],
  [0.001, 'millimetre'],
  [0.0254, 'inch'],
  [0.3048, 'foot'],
];

function unitName(metres: number): string {
  const known = UNITS.find(([size]) => Math.abs(size / metres - 1) < 0.01);
  return known ? known[1] : `${tidy(metres * 100)} cm`;
}

const tidy = (x: number): string => String(Number(x.toPrecision(4)));
const centimetres = (x: number): string => `${(x * 100).toFixed(1)} cm`;
