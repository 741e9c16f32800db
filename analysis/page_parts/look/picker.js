// Points on a picture: click or drag with a magnified view, or focus a point and use the arrow keys.
// Values are in the picture's own units: `extent` is [left, right, top, bottom] at the picture's edges.
const LENS = 144, ZOOM = 5, SETTLE_MS = 450;
const places = new WeakMap();

function build(root, state) {
  root.querySelector(".picker")?.remove();
  const box = document.createElement("div");
  box.className = "picker";
  box.innerHTML = `<div class="stage" role="group"><img draggable="false"><svg preserveAspectRatio="none" aria-hidden="true">
    <polygon class="edge-dark"/><polygon class="edge"/></svg><div class="lens" aria-hidden="true"></div></div>
    <p class="hint" aria-live="polite"></p>`;
  root.appendChild(box);
  state.box = box;
  state.stage = box.querySelector(".stage");
  state.lens = box.querySelector(".lens");
  state.buttons = [];
  listen(state);
}

function toUnit(state, clientX, clientY) {
  const r = state.stage.querySelector("img").getBoundingClientRect();
  const [l, rr, t, b] = state.data.extent;
  const u = Math.min(1, Math.max(0, (clientX - r.left) / r.width));
  const v = Math.min(1, Math.max(0, (clientY - r.top) / r.height));
  return [rounded(state, l + u * (rr - l)), rounded(state, t + v * (b - t))];
}

function rounded(state, value) {
  const step = state.data.step || 1;
  return Math.round(value / step * 10) * step / 10;
}

function share(state, point) {
  const [l, r, t, b] = state.data.extent;
  return [(point[0] - l) / (r - l), (point[1] - t) / (b - t)];
}

function draw(state) {
  const { data, points } = state;
  const svg = state.stage.querySelector("svg");
  svg.setAttribute("viewBox", "0 0 1000 1000");
  const list = points.map((p) => share(state, p));
  const outline = data.box && list.length === 2
    ? [list[0], [list[1][0], list[0][1]], list[1], [list[0][0], list[1][1]]] : list;
  svg.querySelectorAll("polygon").forEach((poly) =>
    poly.setAttribute("points", outline.map(([u, v]) => `${1000 * u},${1000 * v}`).join(" ")));
  points.forEach((point, i) => {
    const button = state.buttons[i], [u, v] = list[i];
    button.style.left = `${100 * u}%`;
    button.style.top = `${100 * v}%`;
    button.setAttribute("aria-label", `${data.names[i]}: x ${point[0].toFixed(1)}, y ${point[1].toFixed(1)} ${data.unit}. `
      + "Arrow keys move it, with Shift ten times as far.");
  });
}

function showLens(state, point) {
  const img = state.stage.querySelector("img");
  const w = img.clientWidth, h = img.clientHeight;
  const [u, v] = share(state, point);
  const up = v * h > LENS * 1.1 ? -1 : 1;
  const x = Math.min(w - LENS / 2, Math.max(LENS / 2, u * w));
  state.lens.style.display = "block";
  state.lens.style.left = `${x}px`;
  state.lens.style.top = `${v * h + up * LENS * 0.85}px`;
  state.lens.style.backgroundImage = `url("${state.data.image}")`;
  state.lens.style.backgroundSize = `${w * ZOOM}px ${h * ZOOM}px`;
  state.lens.style.backgroundPosition = `${LENS / 2 - 3 - u * w * ZOOM}px ${LENS / 2 - 3 - v * h * ZOOM}px`;
}

function hideLens(state) { state.lens.style.display = "none"; }

function send(state) {
  const sent = state.points.map((p) => [p[0], p[1]]);
  state.sent = JSON.stringify(sent);
  state.sentAt = Date.now();
  state.setStateValue("points", sent);
}

function nearest(state, point) {
  const [u, v] = share(state, point);
  const far = state.points.map((p) => { const [a, b] = share(state, p); return Math.hypot(a - u, b - v); });
  return far.indexOf(Math.min(...far));
}

function listen(state) {
  const stage = state.stage;
  let held = -1;
  stage.addEventListener("pointermove", (event) => {
    const point = toUnit(state, event.clientX, event.clientY);
    if (held >= 0) { state.points[held] = point; draw(state); }
    if (held >= 0 || event.pointerType === "mouse") showLens(state, point);
  });
  stage.addEventListener("pointerleave", () => { if (held < 0) hideLens(state); });
  stage.addEventListener("pointerdown", (event) => {
    const index = state.buttons.indexOf(event.target.closest(".point"));
    if (index < 0) return;
    held = index;
    stage.setPointerCapture(event.pointerId);
    state.moved = true;
    event.preventDefault();
    state.buttons[index].focus({ preventScroll: true });
  });
  const drop = (event) => {
    if (held < 0) return;
    if (event.type === "pointerup") state.points[held] = toUnit(state, event.clientX, event.clientY);
    held = -1;
    draw(state);
    hideLens(state);
    send(state);
  };
  stage.addEventListener("pointerup", drop);
  stage.addEventListener("pointercancel", drop);
  stage.addEventListener("click", (event) => {
    if (event.target.closest(".point")) return;
    if (state.moved) { state.moved = false; return; }
    const point = toUnit(state, event.clientX, event.clientY);
    state.points[nearest(state, point)] = point;
    draw(state);
    send(state);
  });
  stage.addEventListener("keydown", (event) => {
    const index = state.buttons.indexOf(event.target.closest(".point"));
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (index < 0 || !way) return;
    event.preventDefault();
    const far = (event.shiftKey ? 10 : 1) * (state.data.step || 1);
    const [l, r, t, b] = state.data.extent, [x, y] = state.points[index];
    state.points[index] = [rounded(state, Math.min(r, Math.max(l, x + far * way[0]))),
                           rounded(state, Math.min(b, Math.max(t, y + far * way[1])))];
    draw(state);
    showLens(state, state.points[index]);
    clearTimeout(state.timer);
    state.timer = setTimeout(() => send(state), SETTLE_MS);
  });
}

function makeButtons(state) {
  state.buttons.forEach((button) => button.remove());
  state.buttons = state.points.map((_, i) => {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "point";
    button.innerHTML = `<span aria-hidden="true">${i + 1}</span>`;
    button.addEventListener("focus", () => { if (button.matches(":focus-visible")) showLens(state, state.points[i]); });
    button.addEventListener("blur", () => hideLens(state));
    state.stage.appendChild(button);
    return button;
  });
}

export default function (component) {
  const { data, parentElement, setStateValue } = component;
  const state = places.get(parentElement) || {};
  state.data = data;
  state.setStateValue = setStateValue;
  if (!places.has(parentElement) || !state.box.isConnected) {
    places.set(parentElement, state);
    build(parentElement, state);
  }
  const img = state.stage.querySelector("img");
  if (img.getAttribute("src") !== data.image) img.src = data.image;
  img.alt = data.alt;
  state.stage.setAttribute("aria-label", data.label);
  state.box.querySelector(".hint").textContent = data.hint;
  const incoming = JSON.stringify(data.points);
  const waiting = state.sent && incoming !== state.sent && Date.now() - state.sentAt < 2500;
  if (!waiting || !state.points) {
    state.points = data.points.map((p) => [p[0], p[1]]);
    if (incoming === state.sent) state.sent = null;
  }
  if (state.buttons.length !== state.points.length) makeButtons(state);
  draw(state);
  return () => clearTimeout(state.timer);
}
