// The whole capture as a strip: where deadlines were missed, the darker and longer the larger their share.

function drawStrip(canvas, model, view) {
  const box = canvas.getBoundingClientRect();
  const ratio = view.ratio;
  canvas.width = Math.round(box.width * ratio);
  canvas.height = Math.round(box.height * ratio);
  const context = canvas.getContext("2d");
  context.scale(ratio, ratio);
  const { ink } = view;
  const top = AXIS, height = box.height - AXIS, width = box.width;
  context.fillStyle = ink.paper;
  context.fillRect(0, 0, width, box.height);
  context.strokeStyle = ink.rule;
  context.strokeRect(0.5, top + 0.5, width - 1, height - 1);
  const parts = Math.max(1, Math.floor(height / 2));
  if (!view.shares || view.shares.parts !== parts) view.shares = { parts, of: shareOfMisses(model, parts) };
  const shares = view.shares.of;
  shares.forEach((share, at) => {
    if (!share) return;
    context.globalAlpha = 0.45 + 0.55 * share;
    context.fillStyle = ink.deadline;
    context.fillRect(2, top + (at * height) / shares.length, (width - 4) * (0.35 + 0.65 * share), Math.max(2, height / shares.length));
  });
  context.globalAlpha = 1;
  const { rows } = model;
  const from = top + (view.top / rows.count) * height;
  const part = Math.max(4, (Math.min(rows.count, view.height / view.row) / rows.count) * height);
  if (part >= height) return;
  context.strokeStyle = ink.text;
  context.lineWidth = 2;
  context.strokeRect(1, Math.min(from, top + height - part) + 1, width - 2, Math.max(2, part - 2));
}

function shareOfMisses(model, parts) {
  const { rows } = model;
  const shares = new Float64Array(Math.min(parts, rows.count));
  const due = new Float64Array(shares.length);
  for (let row = 0; row < rows.count; row++) {
    const part = Math.floor((row * shares.length) / rows.count);
    if (rows.pass[row] >= 0 || rows.missed[row]) due[part]++;
    if (rows.missed[row]) shares[part]++;
  }
  return shares.map((missed, part) => (due[part] ? missed / due[part] : 0));
}

function holdStrip(canvas, model, view) {
  const jump = (event) => {
    const box = canvas.getBoundingClientRect();
    const part = (event.clientY - box.top - AXIS) / (box.height - AXIS);
    view.top = part * model.rows.count - view.height / view.row / 2;
    view.changed();
  };
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    jump(event);
  });
  canvas.addEventListener("pointermove", (event) => {
    if (event.buttons) jump(event);
  });
}
