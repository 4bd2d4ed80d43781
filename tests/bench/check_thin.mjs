// Gathers the mesh given on stdin as the page does while a figure turns, and writes what is left of it, as JSON.
import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";

const { gathered, gridOver } = await import(pathToFileURL(process.argv[2]).href);
const { positions, faces, start, most, grid, onto } = JSON.parse(readFileSync(0, "utf8"));
const corners = faces && new Uint32Array(faces), points = new Float32Array(positions);
const used = grid ?? gridOver(points, corners, most);
const out = gathered(points, corners, start, used, onto && new Float32Array(onto));
process.stdout.write(JSON.stringify({ grid: used, ...Object.fromEntries(Object.entries(out).map(([name, array]) => [name, [...array]])) }));
