// Runs functions of a program in the emulator rp2040js and prints what each call took, one JSON line.
//
// node rp2040js_run.mjs PACKAGE JOB: the job is {flash, ram: [[address, hex]], stack, stop, limit,
// calls: [{address, arguments, writes: [[address, hex]]}]}.
import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";

const [folder, job] = process.argv.slice(2);
const { RP2040 } = await import(pathToFileURL(`${folder}/dist/esm/rp2040.js`));
const { flash, ram, stack, stop, limit, calls } = JSON.parse(readFileSync(job, "utf8"));
const chip = new RP2040();
const bytesOf = (hex) => Buffer.from(hex, "hex");
const store = ([address, hex]) => chip.sram.set(bytesOf(hex), address - 0x20000000);

chip.flash.set(bytesOf(flash));
ram.forEach(store);
const core = chip.core;
const found = calls.map(({ address, arguments: given, writes }) => {
  writes.forEach(store);
  given.slice(0, 4).forEach((word, at) => (core.registers[at] = word >>> 0));
  core.SP = stack - 8 * Math.ceil(Math.max(given.length - 4, 0) / 2);
  given.slice(4).forEach((word, at) => chip.writeUint32(core.SP + 4 * at, word >>> 0));
  core.LR = stop | 1;
  core.PC = address;
  const before = core.cycles;
  let instructions = 0;
  while ((core.PC & ~1) !== stop) {
    core.executeInstruction();
    if (++instructions > limit) throw new Error("no end");
  }
  return { returned: core.registers[0] >>> 0, instructions, cycles: core.cycles - before };
});
console.log(JSON.stringify(found));
