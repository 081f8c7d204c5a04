// Put together when the page is there.

function element(id) {
  return document.getElementById(id);
}

async function start() {
  const facts = JSON.parse(element("facts").textContent);
  let data;
  try {
    data = await inflate(element("columns").textContent.trim());
  } catch (error) {
    const note = element("trouble");
    note.textContent = `The pictures cannot be drawn: ${error.message}. The figures below are complete without them.`;
    note.hidden = false;
    document.body.classList.add("without-pictures");
    return;
  }
  performance.mark("unpacked");
  const model = buildModel(facts, readColumns(data, facts.columns));
  performance.mark("in place");
  const canvas = element("rows");
  const joints = facts.joints.map((_, number) => jointOf(model, number));
  const sentence = element("sentence");
  const drawJoints = later(() => {
    joints.forEach((joint, number) => drawJoint(element("joint" + number), model, joint, view));
    if (!performance.getEntriesByName("all pictures").length) performance.mark("all pictures");
  });
  const view = new RowsView(canvas, model, (drawn) => {
    drawStrip(element("strip"), model, drawn);
    if (!performance.getEntriesByName("first picture").length) performance.mark("first picture");
    drawJoints();
  });
  const tell = () => {
    const { cursor } = view;
    sentence.textContent = cursor ? describe(model, cursor.row, cursor.at) : sentence.dataset.empty;
    sentence.classList.toggle("hint", !cursor);
  };
  takeHold(view, canvas, tell);
  holdStrip(element("strip"), model, view);
  for (const pressed of document.querySelectorAll("[data-act]")) {
    pressed.addEventListener("click", () => {
      act(view, pressed.dataset.act);
      tell();
    });
  }
  tell();
  drawLegend(view.ink);
  fillTables(model, joints);
  watch(view);
  // For whoever wants to ask the page: what is drawn, and the part in view.
  globalThis.linkbudget = { model, view, levelsOf, bandsOf: (height) => bandsOf(model, height) };
}

const PAUSE_MS = 80;

// Calls a function when no more calls come for a while, so that the main picture need not wait for it; the
// first time at once.
function later(call) {
  let due = 0, called = false;
  return () => {
    clearTimeout(due);
    if (called) due = setTimeout(call, PAUSE_MS);
    else setTimeout(call, 0);
    called = true;
  };
}

// Each table is made when it is opened first.
function fillTables(model, joints) {
  const missed = Int32Array.from(model.rows.missed.keys()).filter((row) => model.rows.missed[row]);
  whenOpened(element("rows-table"), (place) =>
    pagedTable(place, [
      rowTable(model, "all control periods", "periods", null),
      rowTable(model, "missed deadlines only", "missed", missed),
      byteTable(model),
    ]),
  );
  joints.forEach((joint, number) => whenOpened(element(`joint${number}-table`), (place) => pagedTable(place, jointTable(model, joint))));
}

function whenOpened(details, fillIn) {
  details.addEventListener("toggle", () => {
    if (details.open && !details.dataset.filled) {
      details.dataset.filled = "yes";
      fillIn(details);
    }
  });
}

// The swatches show the inks and textures of the picture itself.
function drawLegend(ink) {
  for (const swatch of document.querySelectorAll("canvas[data-kind]")) {
    const kind = Number(swatch.dataset.kind);
    swatch.width = 68;
    swatch.height = 28;
    const context = swatch.getContext("2d");
    context.scale(2, 2);
    context.fillStyle = ink.textures[0][kind];
    context.fillRect(0, 0, kind === NO_PASS ? 34 : 17, 14);
    if (kind === NO_PASS) continue;
    context.fillStyle = ink.textures[1][kind];
    context.fillRect(17, 0, 17, 14);
  }
}

function watch(view) {
  const again = () => {
    const { row, scale, top, left } = view;
    const whole = view.isWhole();
    view.resize();
    if (whole) view.home();
    else Object.assign(view, { row, scale, top, left });
    view.changed();
    view.draw();
    drawLegend(view.ink);
  };
  new ResizeObserver(again).observe(view.canvas);
  for (const query of ["(prefers-color-scheme: dark)", "print"]) window.matchMedia(query).addEventListener("change", again);
  window.addEventListener("beforeprint", again);
  window.addEventListener("afterprint", again);
}

start();
