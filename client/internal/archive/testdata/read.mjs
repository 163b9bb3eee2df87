// Reads a run file with hyparquet, a Parquet reader that shares no code with ours, and
// finds the level that the hot spot held for 10 s. Use: node read.mjs FILE NODE_MODULES
import { pathToFileURL } from "node:url";
const [file, modules] = process.argv.slice(2);
const load = path => import(pathToFileURL(`${modules}/${path}`));
const { asyncBufferFromFile, parquetMetadataAsync, parquetReadObjects } = await load("hyparquet/src/node.js");
const { compressors } = await load("hyparquet-compressors/src/index.js");
const buffer = await asyncBufferFromFile(file);
const metadata = await parquetMetadataAsync(buffer);
const kept = Object.fromEntries(metadata.key_value_metadata.map(k => [k.key, k.value]));
const result = JSON.parse(kept["soakrig.result"]);
const rows = await parquetReadObjects({ file: buffer, metadata, compressors });
const hot = rows.filter(r => r.channel === result.peak.channel && r.value != null);
let held = -Infinity;
for (const a of hot) {
  const window = hot.filter(r => r.at_s >= a.at_s && r.at_s <= a.at_s + 10);
  if (window.at(-1).at_s - a.at_s >= 10) held = Math.max(held, Math.min(...window.map(r => r.value)));
}
console.log(JSON.stringify({
  rows: rows.length, format: kept["soakrig.format"], unit: JSON.parse(kept["soakrig.run"]).start.unit, recorded: result.peak.held_c, held,
  highest: Math.max(...hot.map(r => r.value)), faulted: rows.filter(r => r.faults !== "").map(r => r.faults),
  wall: rows[0].wall instanceof Date ? rows[0].wall.toISOString() : String(rows[0].wall), code: Number(rows[0].code), emf: rows[0].emf_volts,
}));
