/** Marker trajectories in metres by name, frames × 3 each, from the text of a .trc file (OpenSim; millimetres). */
export function readTrc(text: string): { fps: number; markers: Map<string, Float64Array> } {
  const lines = text.split(/\r?\n/);
  const fps = Number(lines[2]!.split('\t')[0]);
  const names = lines[3]!.split('\t').slice(2).filter(Boolean);
  const rows = lines
    .slice(5)
    .filter((line) => line.trim() !== '')
    .map((line) => line.split('\t').map(Number));
  const markers = new Map<string, Float64Array>();
  names.forEach((name, m) => {
    const values = rows.flatMap((row) => row.slice(2 + m * 3, 5 + m * 3).map((millimetres) => millimetres / 1000));
    markers.set(name, Float64Array.from(values));
  });
  return { fps, markers };
}
