// Bundles src/ into dist/: a script and a style sheet for every page, others for charts, the wall and
// paper, the service worker, icons as PNG, and the licences of what was bundled. Run by `npm run
// build`, and by the build of the wheel.
import { existsSync, mkdirSync, readFileSync, readdirSync, renameSync, rmSync, statSync, writeFileSync } from "node:fs";
import { dirname, join, relative } from "node:path";
import { fileURLToPath } from "node:url";
import { gzipSync } from "node:zlib";
import { Resvg, initWasm } from "@resvg/resvg-wasm";
import * as esbuild from "esbuild";

const here = dirname(fileURLToPath(import.meta.url));
const source = join(here, "src");
const target = join(here, "dist");
// A page that is open during a build must not find half a bundle, so the build goes beside it.
const fresh = join(here, `dist.${process.pid}.new`);

// The chart library is no part of what every page loads: it comes with the pages that have a chart.
const entries = ["app.js", "app.css", "charts.js", "charts.css", "push.js", "signin.js", "wall.js", "wall.css", "print.css", "sw.js"]
  .map((name) => join(source, name))
  .filter((path) => existsSync(path));

// Phones want pictures of a size: those whose corners they cut themselves are drawn to the edge.
const pictures = [
  ["icon-192.png", "mark.svg", 192],
  ["icon-512.png", "mark.svg", 512],
  ["icon-full-192.png", "mark-full.svg", 192],
  ["icon-full-512.png", "mark-full.svg", 512],
  ["icon-touch.png", "mark-full.svg", 180],
];

const shared = {
  bundle: true,
  minify: true,
  absWorkingDir: here,
  outdir: fresh,
  outbase: source,
  legalComments: "none", // licences go into one file, in full
  target: ["chrome100", "firefox102", "safari15.4"],
  loader: { ".svg": "dataurl" },
  metafile: true,
  logLevel: "warning",
};

/** Names of the npm packages whose code is in the bundles. */
function bundledPackages(results) {
  const names = new Set();
  for (const result of results) {
    for (const input of Object.keys(result.metafile.inputs)) {
      const found = input.match(/node_modules\/((?:@[^/]+\/)?[^/]+)\//);
      if (found) names.add(found[1]);
    }
  }
  return [...names].sort();
}

function licences(names) {
  return names
    .map((name) => {
      const folder = join(here, "node_modules", name);
      const about = JSON.parse(readFileSync(join(folder, "package.json"), "utf8"));
      const file = readdirSync(folder).find((entry) => /^licen[cs]e/i.test(entry));
      if (!file) throw new Error(`${name}: the package carries no licence file`);
      return `${name} ${about.version} (${about.license})\n\n${readFileSync(join(folder, file), "utf8").trim()}\n`;
    })
    .join("\n\n");
}

async function drawPictures() {
  await initWasm(readFileSync(join(here, "node_modules/@resvg/resvg-wasm/index_bg.wasm")));
  for (const [name, drawing, size] of pictures) {
    const svg = readFileSync(join(here, "icons", drawing), "utf8");
    const drawn = new Resvg(svg, { fitTo: { mode: "width", value: size } }).render();
    writeFileSync(join(fresh, name), drawn.asPng());
  }
}

try {
  rmSync(fresh, { recursive: true, force: true });
  mkdirSync(fresh);
  const worker = entries.filter((path) => path.endsWith("sw.js"));
  const pages = entries.filter((path) => !path.endsWith("sw.js"));
  const results = [await esbuild.build({ ...shared, entryPoints: pages, format: "esm" })];
  if (worker.length) {
    results.push(await esbuild.build({ ...shared, entryPoints: worker, format: "iife" }));
  }
  await drawPictures();
  writeFileSync(join(fresh, "LICENCES.txt"), licences(bundledPackages(results)));
  rmSync(target, { recursive: true, force: true });
  renameSync(fresh, target);
} finally {
  rmSync(fresh, { recursive: true, force: true });
}

for (const name of readdirSync(target).sort()) {
  const path = join(target, name);
  const zipped = gzipSync(readFileSync(path)).length;
  console.log(`${relative(here, path)}: ${statSync(path).size} bytes, ${zipped} gzipped`);
}
