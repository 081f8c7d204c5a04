// A joint over the time in view: thin steps for what was asked for, a thick line for where it was.

const JOINT_LEFT = 64, JOINT_RIGHT = 12, JOINT_BOTTOM = 20, JOINT_TOP = 8;

function jointOf(model, number) {
  const { facts, columns } = model;
  const joint = facts.joints[number];
  const value = (steps) => Float64Array.from(steps, (step) => joint.low + step * joint.step);
  const name = "joint" + number;
  return {
    ...joint,
    time: columns[name + ".time"],
    position: value(columns[name + ".position"]),
    askedAt: columns[name + ".asked_at"],
    askedFor: value(columns[name + ".asked_for"]),
  };
}

// Between two knots a joint moves straight.
function positionAt(joint, at) {
  const next = upTo(joint.time, at);
  if (!next) return joint.position[0];
  if (next >= joint.time.length) return joint.position[next - 1];
  const share = (at - joint.time[next - 1]) / (joint.time[next] - joint.time[next - 1]);
  return joint.position[next - 1] + share * (joint.position[next] - joint.position[next - 1]);
}

function timesInView(model, view) {
  const { rows } = model;
  const first = Math.max(0, Math.floor(view.top));
  const last = Math.min(rows.count - 1, Math.ceil(view.top + view.height / view.row) - 1);
  return { from: Math.max(0, rows.start[first]), to: rowEnd(model, last) };
}

function drawJoint(canvas, model, joint, view) {
  const box = canvas.getBoundingClientRect();
  if (!box.width) return;
  canvas.width = Math.round(box.width * view.ratio);
  canvas.height = Math.round(box.height * view.ratio);
  const context = canvas.getContext("2d");
  context.scale(view.ratio, view.ratio);
  const { from, to } = timesInView(model, view);
  const plot = { left: JOINT_LEFT, right: box.width - JOINT_RIGHT, top: JOINT_TOP, bottom: box.height - JOINT_BOTTOM };
  const span = joint.high - joint.low || 1;
  const x = (at) => plot.left + ((at - from) / (to - from || 1)) * (plot.right - plot.left);
  const y = (value) => plot.bottom - ((value - joint.low) / span) * (plot.bottom - plot.top);
  drawJointAxes(context, model, joint, view.ink, { from, to, plot, x, y });
  context.save();
  context.beginPath();
  context.rect(plot.left, 0, plot.right - plot.left, box.height);
  context.clip();
  drawAsked(context, joint, view.ink, { from, to, plot, x, y });
  drawPosition(context, joint, view.ink, { from, to, plot, x, y });
  context.restore();
}

function drawJointAxes(context, model, joint, ink, { from, to, plot, x, y }) {
  context.font = `11px ${ink.font}`;
  context.fillStyle = ink.soft;
  context.textAlign = "right";
  context.textBaseline = "middle";
  const step = niceStep((joint.high - joint.low || 1) / 4);
  for (let value = Math.ceil(joint.low / step) * step; value <= joint.high + step * 1e-9; value += step) {
    context.fillStyle = ink.rule;
    context.fillRect(plot.left, y(value), plot.right - plot.left, 0.5);
    context.fillStyle = ink.soft;
    context.fillText(brief(value), plot.left - 6, y(value));
  }
  context.textBaseline = "alphabetic";
  context.textAlign = "left";
  context.fillText(shortInstant(model.facts, from), plot.left, plot.bottom + 15);
  context.textAlign = "right";
  context.fillText(shortInstant(model.facts, to), plot.right, plot.bottom + 15);
}

function drawAsked(context, joint, ink, { from, to, plot, x, y }) {
  const { askedAt, askedFor } = joint;
  const first = Math.max(0, upTo(askedAt, from) - 1), last = Math.min(askedAt.length, upTo(askedAt, to) + 1);
  const dense = last - first > plot.right - plot.left;
  context.strokeStyle = ink.text;
  context.fillStyle = ink.text;
  context.lineWidth = 1;
  context.beginPath();
  for (let at = first; at < last; at++) {
    const height = y(askedFor[at]);
    if (at === first) context.moveTo(x(askedAt[at]), height);
    else context.lineTo(x(askedAt[at]), height);
    context.lineTo(x(at + 1 < askedAt.length ? askedAt[at + 1] : to), height);
  }
  context.stroke();
  if (dense || last - first > (plot.right - plot.left) / 8) return;
  for (let at = first; at < last; at++) context.fillRect(x(askedAt[at]) - 2, y(askedFor[at]) - 2, 4, 4);
}

// Where there are more knots than pixels: from the lowest to the highest of each pixel.
function drawPosition(context, joint, ink, { from, to, plot, x, y }) {
  context.strokeStyle = ink.late[1];
  context.lineWidth = 2;
  context.lineJoin = "round";
  context.beginPath();
  const { time, position } = joint;
  const first = Math.max(0, upTo(time, from) - 1), last = Math.min(time.length, upTo(time, to) + 1);
  if (last - first <= 4 * (plot.right - plot.left)) {
    context.moveTo(x(time[first]), y(position[first]));
    for (let at = first + 1; at < last; at++) context.lineTo(x(time[at]), y(position[at]));
    context.stroke();
    return;
  }
  let at = first;
  for (let column = plot.left; column < plot.right; column++) {
    let low = Infinity, high = -Infinity;
    for (; at < last && x(time[at]) < column + 1; at++) {
      low = Math.min(low, position[at]);
      high = Math.max(high, position[at]);
    }
    if (high < low) continue;
    context.moveTo(column + 0.5, y(low) + 0.5);
    context.lineTo(column + 0.5, y(high) - 0.5);
  }
  context.stroke();
}
