/* The timeline of a report, second part: one instrument, for one flight or several on one axis. Move along it and see the picture,
   the readability map and every figure of that moment; text only ever becomes text. */
let made = 0;
const read = new Map();
/* Tracks of the instrument of that id, read once however many show them. */
const known = (id) => {
  if (!read.has(id)) read.set(id, JSON.parse(document.getElementById(`${id}-data`).textContent).tracks.map((one) => new Track(one)));
  return read.get(id);
};

class Instrument {
  constructor(root, data) {
    made += 1;
    this.name = `instrument${made}`;
    this.root = root;
    this.tracks = data.tracks.map((one) => (typeof one === "string" ? known(one)[0] : one));
    this.axis = data.axis ? placeAxis(data.axis) : timeAxis(this.tracks);
    if (!data.axis && data.start !== null) this.axis.start = this.axis.place(0, data.start);
    this.mapOn = true;
    this.followers = [];
    this.columns = [];
    for (const track of this.tracks) {
      for (const column of track.columns) if (!this.columns.some((one) => one.name === column.name)) this.columns.push(column);
    }
    this.chosen = this.columns.find((one) => one.name === data.chosen && this.drawable(one)) || this.columns.find((one) => this.drawable(one));
    this.views = this.tracks.map((track, index) => this.view(track, index));
    this.build();
    this.curve();
    this.ribbons();
    this.go(this.start());
  }

  /* Where to begin: where the axis says, else at the longest loss of the first track, else at the left. */
  start() {
    if (this.axis.start !== undefined) return this.axis.start;
    const gaps = this.tracks[0].gaps.filter((one) => this.inside(0, one[0]));
    const worst = gaps.reduce((most, one) => (!most || one[1] - one[0] > most[1] - most[0] ? one : most), null);
    return worst ? this.axis.place(0, worst[0]) : this.axis.low;
  }

  /* Whether a time of a track lies on the axis. */
  inside(track, time) {
    return time >= this.axis.time(track, this.axis.low) && time <= this.axis.time(track, this.axis.high);
  }

  drawable(column) {
    return this.tracks.some((track) => track.values(column.name));
  }

  /* The letter of a track; where labels are as short, or one is such a letter, a letter beside them would name another. */
  mark(index) {
    if (this.tracks.length < 2) return "";
    const short = this.tracks.map((track) => track.label).filter((label) => label.length === 1);
    return short.length === this.tracks.length || short.some((label) => MARKS.includes(label)) ? `${this.tracks[index].label} ` : `${MARKS[index] || index + 1} `;
  }

  named(index) {
    const { label } = this.tracks[index];
    return this.mark(index) === `${label} ` ? label : `${this.mark(index)}${label}`;
  }

  view(track, index) {
    const canvas = element("canvas", { role: "img" });
    const screen = element("div", { class: "screen", style: `aspect-ratio: ${track.shape[0]} / ${track.shape[1]}` }, canvas);
    const tiles = track.map ? new Tiles(track.map, `${this.name}h${index}`) : null;
    if (tiles) screen.append(tiles.node);
    if (!track.film) screen.append(element("p", {}, "no pictures were saved"));
    const [at, state, exact, read] = ["at", "state", "exact", "read"].map((one) => element(one === "at" ? "b" : "span", { class: one }));
    const caption = element("figcaption", {}, at, state, exact, read);
    if (this.tracks.length > 1) caption.prepend(element("strong", {}, this.named(index)));
    return { track, index, canvas, tiles, at, state, exact, read, node: element("figure", { class: "view" }, screen, caption) };
  }

  build() {
    const stage = element("div", { class: "stage" }, ...this.views.map((one) => one.node));
    this.graph = drawn("svg", { viewBox: `0 0 ${SAMPLES} 100`, preserveAspectRatio: "none", "aria-hidden": "true" });
    this.lanes = this.tracks.map(() => element("div", { class: "lane" }));
    this.marks = element("div", { class: "marks" });
    this.cursor = element("div", { class: "cursor" });
    [this.top, this.bottom] = ["top", "bottom"].map((one) => element("span", { class: `end ${one}` }));
    this.strip = element("div", { class: "slide", role: "slider", tabindex: "0", "aria-label": "Moment of the flight", "aria-orientation": "horizontal",
      "aria-valuemin": this.axis.low.toFixed(1), "aria-valuemax": this.axis.high.toFixed(1) },
    element("div", { class: "graph" }, this.graph, this.top, this.bottom), ...this.lanes, this.marks, this.cursor);
    this.ruler = element("div", { class: "ruler", "aria-hidden": "true" },
      ...this.axis.ticks.map(([at, text]) => element("span", { style: `left:${this.share(at) * 100}%;transform:translateX(-${this.share(at) * 100}%)` }, text)));
    this.heading = element("p", { class: "heading" });
    this.told = element("p", { class: "told" });
    const box = element("input", { type: "checkbox" });
    box.checked = true;
    box.addEventListener("change", () => { this.mapOn = box.checked; this.show(); });
    const button = (text, way) => {
      const one = element("button", { type: "button" }, text);
      one.addEventListener("click", () => this.leap(way));
      return one;
    };
    const controls = element("div", { class: "controls" }, button("\u2190 loss before", -1), button("next loss \u2192", 1));
    if (this.views.some((one) => one.tiles)) controls.append(element("label", {}, box, "readability map over the picture"));
    const keys = element("p", { class: "keys" }, "Point, drag, or use the arrow keys: left and right a row, page up and down a longer way, home and end.");
    this.root.append(stage, element("div", { class: "run" }, this.heading, this.strip, this.ruler, element("p", { class: "axis" }, this.axis.label), controls, this.told, keys), this.figures());
    this.root.classList.toggle("several", this.tracks.length > 1);
    this.listen(this.strip, this.strip);
    this.strip.addEventListener("keydown", (event) => this.key(event));
  }

  figures() {
    this.cells = this.columns.map((column) => {
      const radio = element("input", { type: "radio", name: this.name });
      radio.checked = column === this.chosen;
      radio.disabled = !this.drawable(column);
      radio.addEventListener("change", () => { this.chosen = column; this.curve(); this.show(); });
      const values = this.tracks.map(() => element("span", { class: "value" }));
      const title = element("span", { class: "name" }, column.title);
      return { column, values, node: element("label", { title: column.what, "data-column": column.name }, radio, title, ...values) };
    });
    return element("fieldset", { class: "figs" }, element("legend", {}, "Every figure of this moment; choose one to draw it"), ...this.cells.map((one) => one.node));
  }

  share(place) {
    return clamp((place - this.axis.low) / (this.axis.high - this.axis.low || 1), 0, 1);
  }

  /* Rows of a track under each column of the strip: SAMPLES + 1 bounds. */
  bounds(index) {
    const track = this.tracks[index];
    const bounds = new Int32Array(SAMPLES + 1);
    for (let at = 0; at <= SAMPLES; at += 1) {
      const place = this.axis.low + ((this.axis.high - this.axis.low) * at) / SAMPLES;
      bounds[at] = from(track.times, this.axis.time(index, place));
    }
    return bounds;
  }

  curve() {
    const lists = this.tracks.map((track) => track.values(this.chosen.name));
    const [low, high] = range(lists.filter(Boolean), this.chosen.unit === "%");
    const unit = this.chosen.unit && this.chosen.unit !== "0/1" ? ` ${this.chosen.unit}` : "";
    const height = (value) => (97 - (94 * (value - low)) / (high - low)).toFixed(1);
    this.graph.replaceChildren(...lists.map((list, index) => {
      let path = "";
      let pen = "M";
      const bounds = list ? this.bounds(index) : [];
      for (let at = 0; list && at < SAMPLES; at += 1) {
        let [least, most] = [Infinity, -Infinity];
        for (let row = bounds[at]; row < bounds[at + 1]; row += 1) if (list[row] === list[row]) [least, most] = [Math.min(least, list[row]), Math.max(most, list[row])];
        if (least > most) {
          if (bounds[at + 1] > bounds[at]) pen = "M";
          continue;
        }
        path += `${pen}${at} ${height(least)}`;
        if (most > least) path += `L${at} ${height(most)}`;
        pen = "L";
      }
      return drawn("path", { d: path, fill: "none", "vector-effect": "non-scaling-stroke", "stroke-width": 1.5, "stroke-linejoin": "round",
        "stroke-dasharray": DASHES[index % DASHES.length], style: `stroke: var(--${TONES[index % TONES.length]})` });
    }));
    this.top.textContent = `${+high.toPrecision(3)}${unit}`;
    this.bottom.textContent = `${+low.toPrecision(3)}`;
    this.heading.replaceChildren(`${this.chosen.title}${unit ? `, ${unit.trim()}` : ""}`);
    if (this.tracks.length > 1) this.heading.append(...this.tracks.map((track, index) => this.legend(track, index)));
    this.told.textContent = `${this.chosen.title}: ${this.chosen.what}`;
  }

  /* Which line is whose. */
  legend(track, index) {
    const line = drawn("path", { d: "M0 5H30", fill: "none", "stroke-width": 2, "stroke-dasharray": DASHES[index % DASHES.length],
      style: `stroke: var(--${TONES[index % TONES.length]})` });
    return element("span", { class: "whose" }, drawn("svg", { viewBox: "0 0 30 10", "aria-hidden": "true" }, line), this.named(index));
  }

  ribbons() {
    this.lanes.forEach((lane, index) => {
      const track = this.tracks[index];
      const bounds = this.bounds(index);
      const runs = [];
      let before = 0;
      for (let at = 0; at < SAMPLES; at += 1) {
        let state = bounds[at + 1] > bounds[at] ? 0 : before;
        for (let row = bounds[at]; row < bounds[at + 1]; row += 1) {
          const one = track.state[row];
          state = state >= LOST ? (one >= LOST ? Math.min(one, state) : state) : Math.max(one, state);
        }
        before = state;
        const last = runs[runs.length - 1];
        if (last && last.state === state) last.to = at + 1;
        else runs.push({ state, from: at, to: at + 1 });
      }
      lane.replaceChildren(...runs.filter((one) => track.states[one.state].colour).map((one) => {
        const { colour, hatch } = track.states[one.state];
        return element("i", { class: `h-${hatch}`, style: `--c: var(--${colour}); left: ${(one.from / SAMPLES) * 100}%; width: ${((one.to - one.from) / SAMPLES) * 100}%` });
      }));
      for (const [at, text] of track.events.filter((one) => this.inside(index, one[0]))) {
        this.marks.append(element("i", { style: `left: ${this.share(this.axis.place(index, at)) * 100}%`, title: `${this.mark(index)}${text}, ${clock(at)}` }));
      }
    });
  }

  /* Follow a pointer over `target`, where positions run across `inner`'s box between the shares `left` and `right`. */
  listen(target, inner, left = 0, right = 0, moved = () => {}) {
    const at = (event) => {
      const box = inner.getBoundingClientRect();
      const share = (event.clientX - box.left) / box.width;
      this.go(this.axis.low + clamp((share - left) / (1 - left - right), 0, 1) * (this.axis.high - this.axis.low));
      moved(true, event.clientY);
    };
    target.addEventListener("pointermove", (event) => { if (event.pointerType === "mouse" || event.buttons) at(event); });
    target.addEventListener("pointerdown", (event) => {
      if (target === this.strip) {
        target.setPointerCapture(event.pointerId);
        target.focus({ preventScroll: true });
      }
      at(event);
    });
    target.addEventListener("pointerleave", () => moved(false));
  }

  key(event) {
    const by = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1 }[event.key];
    const far = { PageDown: -1, PageUp: 1 }[event.key] || (event.shiftKey && by);
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    if (far) this.go(this.position + far * this.axis.page);
    else if (by) this.go(this.axis.step(this.position, by));
    else if (event.key === "Home") this.go(this.axis.low);
    else if (event.key === "End") this.go(this.axis.high);
    else return;
    event.preventDefault();
  }

  /* To the next or the last loss of any track. */
  leap(way) {
    const starts = this.tracks.flatMap((track, index) => track.gaps.filter((gap) => this.inside(index, gap[0])).map((gap) => this.axis.place(index, gap[0]))).sort((a, b) => a - b);
    const least = (this.axis.high - this.axis.low) * 1e-4 + 0.05;
    const found = way > 0 ? starts.find((one) => one > this.position + least) : starts.reverse().find((one) => one < this.position - least);
    if (found !== undefined) this.go(found);
  }

  go(place) {
    const inside = clamp(place, this.axis.low, this.axis.high);
    this.position = this.tracks.length === 1 ? this.axis.step(inside, 0) : inside;
    this.show();
  }

  /* To a time of one track, and there with the page. */
  jump(track, time) {
    const list = this.tracks[track].times;
    this.go(this.axis.place(track, list[Math.min(from(list, time - 1e-3), list.length - 1)]));
    this.root.scrollIntoView({ block: "start", behavior: matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth" });
    this.strip.focus({ preventScroll: true });
  }

  show() {
    const told = [];
    const again = () => this.show();
    for (const view of this.views) {
      const { track, index } = view;
      const row = nearest(track.times, this.axis.time(index, this.position));
      const time = track.times[row];
      const state = track.states[track.state[row]];
      const pictured = track.draw(view.canvas, time, again);
      view.row = row;
      view.at.textContent = clock(time);
      view.state.textContent = state.name;
      view.exact.textContent = `figures of ${time.toFixed(3)} s${pictured === null ? "" : `, picture of ${pictured.toFixed(3)} s`}`;
      view.read.textContent = view.tiles ? view.tiles.show(time) : "";
      if (view.tiles) view.tiles.node.toggleAttribute("hidden", !this.mapOn);
      view.canvas.setAttribute("aria-label", `${this.mark(index)}Picture at ${clock(time)} min:s, ${state.name}`);
      this.cells.forEach((cell) => { cell.values[index].textContent = `${this.mark(index)}${track.shown(cell.column, row)}`; });
      told.push(`${this.mark(index)}${this.tracks.length > 1 ? `${clock(time)} min:s, ` : ""}${state.name}, ${this.chosen.title} ${track.shown(this.chosen, row)}`);
    }
    this.cursor.style.left = `${this.share(this.position) * 100}%`;
    this.strip.setAttribute("aria-valuenow", this.position.toFixed(1));
    this.strip.setAttribute("aria-valuetext", [this.axis.words(this.position), ...told].join("; "));
    this.followers.forEach((one) => one());
  }

  /* Let a static drawing on the same axis take part: a cursor on it, and a small picture beside the pointer. */
  follow(figure) {
    const [left, right] = figure.dataset.axis.split(" ").map(Number);
    const drawing = figure.querySelector("svg");
    const cursor = element("div", { class: "cursor" });
    const canvas = element("canvas", { "aria-hidden": "true" });
    const text = element("span");
    const peek = element("div", { class: "peek", "aria-hidden": "true" }, canvas, text);
    peek.hidden = true;
    figure.classList.add("live");
    figure.append(cursor, peek);
    this.listen(drawing, drawing, left, right, (over, y) => {
      peek.hidden = !over;
      this.show();
      if (!over) return;
      const box = figure.getBoundingClientRect();
      peek.style.top = `${clamp(y - box.top - peek.offsetHeight / 2, 0, Math.max(0, box.height - peek.offsetHeight))}px`;
    });
    this.followers.push(() => {
      const share = left + this.share(this.position) * (1 - left - right);
      cursor.style.left = `${share * 100}%`;
      if (peek.hidden) return;
      const view = this.views[0];
      view.track.draw(canvas, view.track.times[view.row], () => this.show());
      text.textContent = `${view.at.textContent} ${view.state.textContent}`;
      peek.style.right = share > 0.5 ? `calc(${(1 - share) * 100}% + 10px)` : "auto";
      peek.style.left = share > 0.5 ? "auto" : `calc(${share * 100}% + 10px)`;
    });
    this.show();
  }
}
