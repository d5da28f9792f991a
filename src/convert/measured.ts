/**
 * What a figure tells by itself, whatever it is paired with. One clip goes onto many characters and many clips onto one: each
 * is measured when it is first asked for, and remembered (`oncePer`). Who changes a clip makes a new performer.
 */
import { legLength } from '../alignment/alignment.ts';
import { bodyGirths } from '../contact/body-girths.ts';
import { detectContacts } from '../contact/detect.ts';
import { handShapes } from '../contact/hand-floor.ts';
import { readHandRests } from '../contact/hand-rests.ts';
import { feetOfMotion, soleOf } from '../contact/measure-soles.ts';
import { oncePer } from '../skeleton/once-per.ts';
import { measureExcesses } from './joint-limits.ts';
import type { Performer } from './performer.ts';
import type { Receiver } from './receiver.ts';

/** Heel, ball and toe tip of a performer's feet, as they stand in its motion, and where they go. */
export const feetOf = oncePer(({ actor, clip }: Performer) => feetOfMotion(actor.skeleton, clip, actor.body.roles));

/** Foot contacts of a performer's own motion. */
export const contactsOf = oncePer((performer: Performer) =>
  detectContacts({
    ...feetOf(performer).points,
    fps: 1 / performer.clip.frameDuration,
    scale: legLength(performer.actor.alignment) || undefined,
  }),
);

/** When a performer's hands rest, and on what. */
export const handRestsOf = oncePer(({ actor, clip }: Performer) => readHandRests(actor, clip));

/** Where a performer leaves the published ranges of motion. */
export const excessesOf = oncePer(({ actor, clip }: Performer) => measureExcesses(actor, clip));

/** Heel, ball and toe tip of a character's feet. */
export const solesOf = oncePer(
  ({ actor, skins, soles }: Receiver) => soles ?? soleOf(actor.skeleton, actor.body.roles, skins),
);

/** How thick a character's body is where hands rest. */
export const girthsOf = oncePer(({ actor, skins }: Receiver) => bodyGirths(actor, skins));

/** The hands of a character, as they meet the floor. */
export const handShapesOf = oncePer(({ actor, skins }: Receiver) => handShapes(actor, skins));
