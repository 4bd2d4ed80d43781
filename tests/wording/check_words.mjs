// Writes what the bench's page says for each case of the table given on stdin, as JSON.
import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";

const words = await import(pathToFileURL(process.argv[2]).href);
const NAMES = { with_unit: "withUnit" };
const cases = JSON.parse(readFileSync(0, "utf8"));
process.stdout.write(JSON.stringify(cases.map(([name, given]) => words[NAMES[name] ?? name](...given))));
