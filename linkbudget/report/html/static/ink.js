// Colours and textures. Lightness carries the meaning: the less welcome, the more contrast with the paper.

const KINDS = ["work", "reading", "waiting", "pause", "window"];
const HANDLER = 5, NO_PASS = 6;

function inkOf(element) {
  const style = getComputedStyle(element);
  const colour = (name) => style.getPropertyValue("--" + name).trim();
  const names = [...KINDS, "handler", "no-pass"];
  const ink = {
    paper: colour("paper"),
    text: colour("ink"),
    soft: colour("soft"),
    rule: colour("rule"),
    deadline: colour("deadline"),
    lost: colour("lost"),
    intime: names.map(colour),
    late: names.map((name) => colour("late-" + name)),
    font: style.fontFamily,
  };
  ink.textures = ["intime", "late"].map((set) => names.map((_, kind) => texture(kind, ink[set][kind], ink)));
  const paper = channels(ink.paper);
  // Whole pixels for the view from far: [late][kind], and pale ones behind.
  ink.pixels = ["intime", "late"].map((set) => Uint32Array.from(ink[set], (value) => pixel(channels(value))));
  ink.pale = ["intime", "late"].map((set) =>
    Uint32Array.from(ink[set], (value) => pixel(channels(value).map((part, at) => part * 0.35 + paper[at] * 0.65))),
  );
  ink.paperPixel = pixel(paper);
  return ink;
}

function channels(colour) {
  const hex = colour.replace("#", "");
  return [0, 2, 4].map((at) => parseInt(hex.slice(at, at + 2), 16));
}

// Image data are red, green, blue, opacity in this order; the machine may store numbers the other way round.
const LITTLE_END_FIRST = new Uint8Array(new Uint32Array([1]).buffer)[0] === 1;

function pixel([red, green, blue]) {
  const [r, g, b] = [red, green, blue].map(Math.round);
  return LITTLE_END_FIRST ? ((255 << 24) | (b << 16) | (g << 8) | r) >>> 0 : ((r << 24) | (g << 16) | (b << 8) | 255) >>> 0;
}

// Waiting is striped, a busy window dotted, a period without a pass hatched; the others are plain.
function texture(kind, colour, ink) {
  if (kind !== 2 && kind !== 4 && kind !== NO_PASS) return colour;
  const size = kind === NO_PASS ? 7 : kind === 2 ? 5 : 4;
  const tile = document.createElement("canvas");
  tile.width = tile.height = size * 2;
  const context = tile.getContext("2d");
  context.scale(2, 2);
  if (kind !== NO_PASS) {
    context.fillStyle = colour;
    context.fillRect(0, 0, size, size);
  }
  context.strokeStyle = context.fillStyle = kind === NO_PASS ? colour : ink.paper;
  context.lineWidth = kind === NO_PASS ? 1.1 : 0.9;
  if (kind === 4) context.fillRect(1, 1, 1.2, 1.2);
  else diagonal(context, size, kind === NO_PASS ? -1 : 1);
  const pattern = context.createPattern(tile, "repeat");
  pattern.setTransform(new DOMMatrix([0.5, 0, 0, 0.5, 0, 0]));
  return pattern;
}

function diagonal(context, size, direction) {
  context.beginPath();
  for (const shift of [-size, 0, size]) {
    context.moveTo(direction > 0 ? shift : shift + size, size);
    context.lineTo(direction > 0 ? shift + size : shift, 0);
  }
  context.stroke();
}
