/** Sides: blue and vermilion of the colour-blind safe set of Okabe & Ito (2008), lighter on dark ground. */
export interface Colours {
  ground: string;
  grid: string;
  gridStrong: string;
  left: string;
  right: string;
  middle: string;
  ink: string;
  quiet: string;
  paper: string;
  mark: string;
  plain: string;
}

const LIGHT: Colours = {
  ground: '#f1efe9',
  grid: '#dcd8ce',
  gridStrong: '#c3bdb0',
  left: '#0072b2',
  right: '#d55e00',
  middle: '#5b6166',
  ink: '#22282c',
  quiet: '#5f676c',
  paper: '#fffdf8',
  mark: '#a3195b',
  plain: '#cfc8ba',
};

const DARK: Colours = {
  ground: '#1b1e20',
  grid: '#2a2e31',
  gridStrong: '#3d4347',
  left: '#56b4e9',
  right: '#f08a3c',
  middle: '#a9b0b4',
  ink: '#eceae4',
  quiet: '#a3abaf',
  paper: '#25292c',
  mark: '#f07db0',
  plain: '#8f8a80',
};

export const coloursFor = (dark: boolean): Colours => (dark ? DARK : LIGHT);
