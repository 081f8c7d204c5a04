// Runs a script in MicroPython for WebAssembly: node vm_wasm.mjs PORT SCRIPT JOB. Modules that the job names
// are copied into the file system of the port.
import fs from "node:fs";

const [port, script, job] = process.argv.slice(2);
const { loadMicroPython } = await import(port);
const machine = await loadMicroPython({
    heapsize: 64 * 1024 * 1024,
    stdout: (line) => console.log(line),
    linebuffer: true,
});
const cases = JSON.parse(fs.readFileSync(job, "utf8"));
for (const [number, one] of cases.entries()) {
    machine.FS.writeFile(`/module${number}.py`, fs.readFileSync(one.module));
    one.module = `/module${number}.py`;
}
machine.FS.writeFile("/job.json", JSON.stringify(cases));
machine.FS.writeFile("/script.py", fs.readFileSync(script));
machine.runPython('import sys\nsys.argv[:] = ["script", "/job.json"]\nexec(open("/script.py").read())');
