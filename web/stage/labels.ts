import type { Picked } from '../model/view.ts';
import type { Spot } from './overlay.ts';

/** A name beside a joint in the picture. */
export interface Label {
  at: Picked;
  text: string;
}

/** Pixels that a long name takes. */
const ROOM = 210;

/** Names as elements over the picture, so that they can be read aloud and stay sharp. */
export class Labels {
  private readonly box: HTMLElement;
  private readonly elements: HTMLElement[] = [];

  constructor(box: HTMLElement) {
    this.box = box;
  }

  /** Shows each label at its joint; those whose joint is out of the picture are left out. */
  set(labels: readonly Label[], spots: readonly Spot[]): void {
    labels.forEach(({ at, text }, i) => {
      const element = this.elements[i] ?? this.add();
      const spot = spots.find(({ figure, joint }) => figure === at.figure && joint === at.joint);
      element.hidden = spot === undefined;
      if (!spot) return;
      element.textContent = text;
      element.dataset.figure = at.figure;
      // On the side where there is room.
      const isLeft = at.figure === 'source' ? spot.x > ROOM : spot.x > this.box.clientWidth - ROOM;
      element.classList.toggle('leftwards', isLeft);
      element.style.left = `${spot.x.toFixed(1)}px`;
      element.style.top = `${spot.y.toFixed(1)}px`;
    });
    for (let i = labels.length; i < this.elements.length; i++) this.elements[i]!.hidden = true;
  }

  private add(): HTMLElement {
    const element = document.createElement('span');
    element.className = 'joint-label';
    this.box.append(element);
    this.elements.push(element);
    return element;
  }
}
