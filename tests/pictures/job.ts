export type View = 'front' | 'side' | 'back' | 'right' | 'threeQuarter';

/** One figure of a sheet, as the page in the browser receives it. */
export interface FigureJob {
  kind: 'bvh' | 'gltf' | 'positions';
  url: string;
  label: string;
  /** The axis of the file that points up. */
  up?: 'y' | 'z';
  /** glTF only: name or index; null for the rest pose; left out for the first animation, if any. */
  animation?: string | number | null;
  /** Seconds added to every moment: where this figure's motion starts later than the other's. */
  timeOffset?: number;
  /** Height of the drawn floor in the figure's own units. */
  floor?: number;
  /** The figure's left in its world; only for files in which no name tells a side. Default +X. */
  left?: [number, number, number];
  /** Draws the skeleton over a softened mesh. */
  overlay?: boolean;
  /** 0 to 1, with `overlay`. */
  meshOpacity?: number;
}

export interface SheetJob {
  title: string;
  figures: FigureJob[];
  /** Seconds. */
  times: number[];
  views: View[];
  /** Front is where the figure faces at the first moment, at each moment, or the world's +Z. */
  facing: 'initial' | 'moment' | 'world';
  elevationDegrees: number;
  cellWidth: number;
  cellHeight: number;
  labelWidth: number;
}
