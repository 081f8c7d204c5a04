// Wheel, pointer and keys on the main picture.

const WHEEL_STEP = 1.003, KEY_STEP = 1.5;

function takeHold(view, canvas, tell) {
  const place = (event) => {
    const box = canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };
  canvas.addEventListener(
    "wheel",
    (event) => {
      const pixels = event.deltaMode === 1 ? event.deltaY * 30 : event.deltaY;
      // Where there is nothing further to see, the page scrolls.
      if (pixels > 0 && view.isWhole()) return;
      event.preventDefault();
      const [x, y] = place(event);
      view.zoom(WHEEL_STEP ** -pixels, x - GUTTER, y - AXIS);
    },
    { passive: false },
  );
  let held = null;
  canvas.addEventListener("pointerdown", (event) => {
    held = place(event);
    canvas.setPointerCapture(event.pointerId);
    canvas.classList.add("held");
  });
  canvas.addEventListener("pointermove", (event) => {
    const [x, y] = place(event);
    if (held) {
      view.move(held[0] - x, held[1] - y);
      held = [x, y];
    }
    view.cursor = view.under(x, y) || view.cursor;
    tell();
  });
  for (const name of ["pointerup", "pointercancel"]) {
    canvas.addEventListener(name, () => {
      held = null;
      canvas.classList.remove("held");
    });
  }
  canvas.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const action = KEYS[event.key];
    if (!action) return;
    event.preventDefault();
    act(view, action);
    if (action.startsWith("move")) view.cursor = view.under(GUTTER + view.width / 2, AXIS + view.height / 2) || view.cursor;
    tell();
  });
}

const KEYS = {
  "+": "nearer", "=": "nearer", "-": "further", Home: "whole", n: "next", p: "previous", b: "bits",
  ArrowLeft: "move left", ArrowRight: "move right", ArrowUp: "move up", ArrowDown: "move down",
  PageUp: "move page up", PageDown: "move page down",
};

function act(view, action) {
  const actions = {
    nearer: () => view.zoomAbout(KEY_STEP),
    further: () => view.zoomAbout(1 / KEY_STEP),
    whole: () => view.home(),
    next: () => view.toMissed(1),
    previous: () => view.toMissed(-1),
    bits: () => view.toBits(),
    "move left": () => view.move(-60, 0),
    "move right": () => view.move(60, 0),
    "move up": () => view.move(0, -60),
    "move down": () => view.move(0, 60),
    "move page up": () => view.move(0, -0.9 * view.height),
    "move page down": () => view.move(0, 0.9 * view.height),
  };
  actions[action]();
}
