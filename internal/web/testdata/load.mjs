import { readFile } from "node:fs/promises";

// load runs script files of the pages, which put what they offer into globalThis.linewarden.
export async function load(...names) {
  for (const name of names) {
    const src = await readFile(new URL("../static/" + name, import.meta.url), "utf8");
    await import("data:text/javascript," + encodeURIComponent(src));
  }
  return globalThis.linewarden;
}
