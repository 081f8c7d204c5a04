// Times, numbers and sentences.

const DOING = {
  work: "at the loop's own work",
  reading: "reading and parsing",
  waiting: "waiting for the next byte",
  pause: "in a pause of the parser",
  window: "held still by a busy window",
};
const LOST_WHERE = {
  lost_fifo: "lost at a full FIFO",
  lost_buffer: "lost at a full buffer",
  dropped: "dropped by the driver",
};
const FLAGS = [[4, "break"], [1, "framing error"], [2, "parity error"]];

function count(number, noun, plural) {
  return number.toLocaleString("en-US") + " " + (number === 1 ? noun : plural || noun + "s");
}

function duration(ns) {
  const size = Math.abs(ns);
  if (size >= 1e9) return brief(ns / 1e9) + " s";
  if (size >= 1e6) return brief(ns / 1e6) + " ms";
  if (size >= 1e3) return brief(ns / 1e3) + " µs";
  return ns ? brief(ns) + " ns" : "0";
}

function brief(number) {
  return Math.abs(number) >= 1000 ? Math.round(number).toLocaleString("en-US") : String(+number.toPrecision(4));
}

// An instant of the capture, exact to the nanosecond.
function instant(facts, ns) {
  const whole = BigInt(facts.time_zero) + BigInt(Math.round(ns));
  const sign = whole < 0n ? "-" : "";
  const size = whole < 0n ? -whole : whole;
  const ms = (size / 1000000n).toString().replace(/\B(?=(\d{3})+$)/g, ",");
  return sign + ms + "." + (size % 1000000n).toString().padStart(6, "0") + " ms";
}

function letter(facts, value) {
  const digits = facts.line.bytesize === 9 ? 3 : 2;
  const hex = value.toString(16).padStart(digits, "0");
  return value > 32 && value < 127 ? `“${String.fromCharCode(value)}” (${hex} hex)` : `${hex} hex`;
}

function messageName(model, message) {
  return `${model.facts.messages[model.messages.name[message]]} no. ${(message + 1).toLocaleString("en-US")}`;
}

function describe(model, row, at) {
  const { facts, rows } = model;
  const pass = rows.pass[row];
  const parts = [pass >= 0 ? passSentence(model, row, pass, at) : noPassSentence(model, row, at)];
  const waiting = waitingBytes(model, at);
  if (waiting !== null && at >= 0) {
    const are = waiting === 1 ? "has arrived and is" : "have arrived and are";
    parts.push(waiting ? `${count(waiting, "byte")} ${are} not read yet.` : "Every byte that has arrived is read.");
  }
  const byte = byteAt(model, at);
  if (byte >= 0) parts.push(byteSentence(model, byte));
  if (pass >= 0) parts.push(endSentence(model, pass));
  const marked = model.marked === null ? -1 : coveringStretch(model.marked, at);
  if (marked >= 0) parts.push(markedSentence(model, marked));
  parts.push(`Capture time ${instant(facts, at)}.`);
  return parts.join(" ");
}

function passSentence(model, row, pass, at) {
  const { passes, facts, rows } = model;
  const name = `Pass ${(pass + 1).toLocaleString("en-US")}`;
  const into = `${name}, ${duration(at - rows.start[row])} after its ${facts.free ? "start" : "release"}:`;
  if (at < passes.start[pass]) return `${into} not begun${heldBefore(model, pass, at)}.`;
  if (at >= passes.end[pass]) return `${into} over; ${idleOr(model, pass, at)}.`;
  return `${into} ${doing(model, at)}.`;
}

function heldBefore(model, pass, at) {
  if (pass > 0 && at < model.passes.end[pass - 1]) {
    return `, pass ${pass.toLocaleString("en-US")} is still running`;
  }
  return coveringStretch(model.handlers, at) >= 0 && !model.facts.own_core ? ", a handler runs" : ", the loop is held";
}

function idleOr(model, pass, at) {
  const running = upTo(model.passes.start, at) - 1;
  if (running > pass && at < model.passes.end[running]) return `pass ${(running + 1).toLocaleString("en-US")} runs`;
  return "the loop has nothing to do";
}

function noPassSentence(model, row, at) {
  const { facts, rows, passes } = model;
  const running = rows.running[row];
  if (running < 0) {
    const when = row < rows.lead ? "Before the first release" : "After the last pass";
    return `${when}: the loop has nothing to do.`;
  }
  const name = `pass ${(running + 1).toLocaleString("en-US")}`;
  const still = at < passes.end[running] ? `${name} is still running, ${doing(model, at)}` : `${name} is over`;
  if (!rows.missed[row]) return `After the last release that was replayed: ${still}.`;
  return `The release at ${instant(facts, rows.start[row])} was passed over: no pass of its own, a missed deadline; ${still}.`;
}

function doing(model, at) {
  const { facts, handlers, loop, reader } = model;
  const reading = reader === null ? loop : reader;
  const handler = coveringStretch(handlers, at) >= 0;
  if (handler && reader === null) return "interrupted by a receive handler";
  const found = coveringStretch(loop, at);
  const words = found < 0 ? "between two activities" : DOING[facts.activities[loop.kind[found]]];
  const read = coveringStretch(reading, at);
  const kind = read < 0 ? "" : facts.activities[reading.kind[read]];
  const message = kind === "reading" || kind === "waiting" ? messageInHand(model, at) : -1;
  const which = message < 0 ? "" : ` (${messageName(model, message)})`;
  if (reader === null) return words + which;
  if (handler) return `${words}; the reading core is in a receive handler`;
  return kind ? `${words}; the reading core is ${DOING[kind]}${which}` : `${words}; the reading core has nothing to do`;
}

function endSentence(model, pass) {
  const { passes, facts, messages } = model;
  const over = passes.end[pass] - passes.release[pass] - facts.deadline;
  const used = messages.usedIn[pass];
  const took = duration(passes.end[pass] - passes.start[pass]);
  const verdict = over > 0 ? `ended ${duration(over)} after its deadline` : `ended ${duration(-over)} before its deadline`;
  if (used < 0) return `The pass took ${took} and ${verdict}.`;
  const begin = model.bytes.start[messages.start[used]] - facts.capture_to_send;
  return `The pass used ${messageName(model, used)}, ${duration(passes.work[pass] - begin)} old, took ${took} and ${verdict}.`;
}

function markedSentence(model, at) {
  const { facts, marked } = model;
  const took = marked.shortest[at] < marked.longest[at]
    ? `${duration(marked.shortest[at])} to ${duration(marked.longest[at])}`
    : duration(marked.longest[at]);
  const told = marked.unexplained[at] ? ", which it does not explain" : "";
  return `The marked ${facts.marked} from ${instant(facts, marked.start[at])} took ${took}, in the model ${duration(marked.modelled[at])}${told}.`;
}

function byteSentence(model, byte) {
  const { facts, bytes } = model;
  const flags = FLAGS.filter(([bit]) => bytes.flags[byte] & bit).map(([, name]) => name);
  const lost = LOST_WHERE[facts.character_fates[bytes.fate[byte]]];
  const message = messageOfByte(model, byte);
  const notes = [
    message < 0 ? "in no intact frame" : `byte ${byte - model.messages.start[message] + 1} of ${messageName(model, message)}`,
    ...flags,
    ...(lost ? [lost] : []),
  ];
  const span = `${instant(facts, bytes.start[byte])} to ${instant(facts, bytes.arrival[byte])}`;
  return `On the line from ${span}: ${letter(facts, bytes.value[byte])}, ${notes.join(", ")}.`;
}
