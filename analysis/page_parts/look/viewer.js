// Two aligned pictures of the piece: swipe, blend or side by side, with heat maps on one scale. Zoom moves both.
const places = new WeakMap();
const OVERLAYS = [["none", "none"], ["stripes", "stripe contrast"], ["grain", "grain contrast"]];

function radios(name, title, options, value, change) {
  const field = document.createElement("fieldset");
  field.innerHTML = `<legend>${title}</legend><div class="choices"></div>`;
  for (const [key, words] of options) {
    const label = document.createElement("label");
    const input = Object.assign(document.createElement("input"), { type: "radio", name, value: key, checked: key === value });
    input.addEventListener("change", () => change(key));
    label.append(input, words);
    field.lastChild.append(label);
  }
  return field;
}

function slider(title, value, change) {
  const label = document.createElement("label");
  label.className = "slider";
  const input = Object.assign(document.createElement("input"), { type: "range", min: 0, max: 100, step: 1, value });
  input.addEventListener("input", () => change(Number(input.value)));
  label.append(title, input);
  label.input = input;
  return label;
}

function layers(state, photo) {
  const box = document.createElement("div");
  box.className = "layers";
  const base = Object.assign(document.createElement("img"), { src: photo[state.base], alt: photo.alt, draggable: false });
  box.append(base);
  if (state.overlay !== "none") {
    const map = Object.assign(document.createElement("img"), { src: photo[state.overlay], alt: photo.map_alt[state.overlay],
      className: "map", draggable: false });
    map.style.opacity = state.strength / 100;
    box.append(map);
  }
  return box;
}

function half(state, index) {
  const box = document.createElement("div");
  box.className = "half";
  box.append(layers(state, state.data.photos[index]));
  return box;
}

function tag(words, side) {
  return Object.assign(document.createElement("span"), { className: `tag ${side}`, textContent: words });
}

function pane(state, indices) {
  const box = document.createElement("div");
  box.className = "pane";
  box.tabIndex = 0;
  box.setAttribute("role", "group");
  box.style.aspectRatio = state.data.ratio;
  const names = indices.map((i) => state.data.photos[i].name);
  box.setAttribute("aria-label", `${names.join(" and ")}. Plus and minus zoom, arrow keys move.`);
  indices.forEach((i) => box.append(half(state, i)));
  box.append(tag(names[0], "left"));
  if (names.length > 1) box.append(tag(names[1], "right"));
  listen(state, box);
  return box;
}

function render(state) {
  const { data } = state, two = data.photos.length === 2, beside = two && state.mode === "beside";
  state.panes.replaceChildren();
  state.panes.className = beside ? "panes two" : "panes";
  const groups = !two ? [[0]] : beside ? [[0], [1]] : [[0, 1]];
  groups.forEach((group) => state.panes.append(pane(state, group)));
  state.position.hidden = !two || beside;
  state.position.firstChild.textContent = state.mode === "blend" ? "How much of AFTER is laid over BEFORE" : "Where AFTER begins";
  state.strengthBox.hidden = state.overlay === "none";
  state.keyBox.hidden = state.overlay === "none";
  place(state);
}

function place(state) {
  const swipe = state.mode === "swipe" && state.data.photos.length === 2;
  for (const box of state.panes.children) {
    box.classList.toggle("zoomed", state.zoom > 1);
    box.classList.toggle("swipe", swipe);
    const halves = box.querySelectorAll(".half");
    halves.forEach((h) => {
      h.firstChild.style.transform = `translate(${100 * state.x}%, ${100 * state.y}%) scale(${state.zoom})`;
    });
    box.querySelector(".line")?.remove();
    if (halves.length < 2) continue;
    const after = halves[1];
    after.style.clipPath = swipe ? `inset(0 0 0 ${state.at}%)` : "";
    after.style.opacity = swipe ? 1 : state.at / 100;
    if (swipe) {
      const line = Object.assign(document.createElement("div"), { className: "line" });
      line.style.left = `${state.at}%`;
      box.append(line);
    }
  }
}

function move(state, dx, dy) {
  const least = 1 - state.zoom;
  state.x = Math.min(0, Math.max(least, state.x + dx));
  state.y = Math.min(0, Math.max(least, state.y + dy));
  place(state);
}

function zoomTo(state, zoom, u = 0.5, v = 0.5) {
  const next = Math.min(12, Math.max(1, zoom)), factor = next / state.zoom;
  state.x = u - (u - state.x) * factor;
  state.y = v - (v - state.y) * factor;
  state.zoom = next;
  move(state, 0, 0);
}

function listen(state, box) {
  let last = null;
  const share = (event) => {
    const r = box.getBoundingClientRect();
    return [(event.clientX - r.left) / r.width, (event.clientY - r.top) / r.height];
  };
  const follow = (event) => {
    const [u, v] = share(event);
    if (state.zoom > 1) move(state, u - last[0], v - last[1]);
    else if (box.classList.contains("swipe")) setAt(state, Math.round(100 * Math.min(1, Math.max(0, u))));
    last = [u, v];
  };
  box.addEventListener("pointerdown", (event) => { last = share(event); box.setPointerCapture(event.pointerId); follow(event); });
  box.addEventListener("pointermove", (event) => { if (last) follow(event); });
  box.addEventListener("pointerup", () => { last = null; });
  box.addEventListener("pointercancel", () => { last = null; });
  box.addEventListener("dblclick", (event) => zoomTo(state, state.zoom > 1 ? 1 : 3, ...share(event)));
  box.addEventListener("keydown", (event) => {
    const way = { ArrowLeft: [0.08, 0], ArrowRight: [-0.08, 0], ArrowUp: [0, 0.08], ArrowDown: [0, -0.08] }[event.key];
    if (way && state.zoom > 1) move(state, ...way);
    else if (event.key === "+" || event.key === "=") zoomTo(state, state.zoom * 1.5);
    else if (event.key === "-") zoomTo(state, state.zoom / 1.5);
    else if (event.key === "0") zoomTo(state, 1);
    else return;
    event.preventDefault();
  });
}

function setAt(state, at) {
  state.at = at;
  state.position.input.value = at;
  place(state);
}

function key(state) {
  const box = document.createElement("div");
  box.className = "key";
  const { top, ticks, colours } = state.data.scale;
  box.innerHTML = `<div class="strip" role="img"></div><div class="ticks" aria-hidden="true"></div>
    <p>Contrast in % of the mean reflectance, peak to peak; the same scale for every map. Clear: no data.</p>`;
  box.firstChild.style.background = `linear-gradient(to right, ${colours.join(",")})`;
  box.firstChild.setAttribute("aria-label", `Colour scale from paper white at 0 % to dark ink at ${top} %`);
  for (const tick of ticks) {
    const mark = Object.assign(document.createElement("span"), { textContent: `${tick} %` });
    mark.style.left = `${100 * tick / top}%`;
    box.querySelector(".ticks").append(mark);
  }
  return box;
}

function build(root, state) {
  root.querySelector(".viewer")?.remove();
  const box = document.createElement("div");
  box.className = "viewer";
  const bar = Object.assign(document.createElement("div"), { className: "bar" });
  const again = (change) => (value) => { change(value); render(state); };
  if (state.data.photos.length === 2)
    bar.append(radios("mode", "Compare by", state.data.modes, state.mode, again((v) => { state.mode = v; })));
  bar.append(radios("base", "Picture", [["picture", "as photographed"], ["texture", "as analysed"]], state.base, again((v) => { state.base = v; })));
  bar.append(radios("overlay", "Heat map", OVERLAYS, state.overlay, again((v) => { state.overlay = v; })));
  state.strengthBox = slider("Strength of the heat map", state.strength, again((v) => { state.strength = v; }));
  const zoom = Object.assign(document.createElement("div"), { className: "zoom" });
  for (const [words, name, act] of [["\u2212", "Zoom out", () => zoomTo(state, state.zoom / 1.5)],
    ["+", "Zoom in", () => zoomTo(state, state.zoom * 1.5)], ["whole", "Show the whole piece", () => zoomTo(state, 1)]]) {
    const button = Object.assign(document.createElement("button"), { type: "button", textContent: words, title: name });
    if (words.length === 1) button.setAttribute("aria-label", name);
    button.addEventListener("click", act);
    zoom.append(button);
  }
  bar.append(state.strengthBox, zoom);
  state.panes = document.createElement("div");
  state.position = slider("", state.at, (v) => { state.at = v; place(state); });
  state.position.prepend(document.createTextNode(""));
  state.position.classList.add("wide");
  state.keyBox = key(state);
  box.append(bar, state.panes, state.position, state.keyBox);
  root.appendChild(box);
  state.box = box;
  render(state);
}

export default function (component) {
  const { data, parentElement } = component;
  let state = places.get(parentElement);
  if (state && state.box.isConnected && state.data.id === data.id) { state.data = data; return; }
  const kept = state || {};
  state = { mode: kept.mode || data.modes[0][0], base: kept.base || "picture", overlay: kept.overlay || "none",
    strength: kept.strength ?? 80, at: kept.at ?? 50, zoom: 1, x: 0, y: 0, data };
  if (!data.modes.some(([name]) => name === state.mode)) state.mode = data.modes[0][0];
  places.set(parentElement, state);
  build(parentElement, state);
}
