/* The timeline of a report, first part: what a flight's data says of a moment. Figures, picture and readability map of a track,
   and how positions along the strip go with times. Data comes from JSON blocks in the page (report/track.py). */
const TICKS = 10000; /* a second, in the units that times are kept in */
const LOST = 3; /* states from here on are causes of loss */
const SAMPLES = 960; /* columns that a curve and a ribbon are drawn from */
const MARKS = "ABCDEFGH";
const DASHES = ["", "7 3", "2 3", "10 3 2 3"];
const TONES = ["usable", "recover", "noise", "dark"];
const SVG = "http://www.w3.org/2000/svg";

const bytes = (text) => Uint8Array.from(atob(text), (one) => one.charCodeAt(0));
const numbers = { short: Int16Array, long: Int32Array };
const times = (text) => Float64Array.from(new Int32Array(bytes(text).buffer), (one) => one / TICKS);
const clamp = (value, low, high) => Math.min(Math.max(value, low), high);

const element = (tag, attributes = {}, ...inside) => {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.append(...inside);
  return made;
};
const drawn = (tag, attributes = {}, ...inside) => {
  const made = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  made.append(...inside);
  return made;
};

/* Minutes and seconds with tenths, as everywhere in the report. */
const clock = (time, whole = false) => {
  const tenths = Math.round(Math.abs(time) * 10);
  const text = `${Math.floor(tenths / 600)}:${String(Math.floor(tenths / 10) % 60).padStart(2, "0")}`;
  return (time < 0 && tenths ? "-" : "") + (whole && tenths % 10 === 0 ? text : `${text}.${tenths % 10}`);
};

/* Index of the value nearest to `wanted` in a rising list. */
const nearest = (list, wanted) => {
  let low = 0;
  let high = list.length - 1;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (list[middle] <= wanted) low = middle;
    else high = middle;
  }
  return wanted - list[low] <= list[high] - wanted ? low : high;
};

/* First index whose value is not under `wanted`. */
const from = (list, wanted) => {
  let low = 0;
  let high = list.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (list[middle] < wanted) low = middle + 1;
    else high = middle;
  }
  return low;
};

class Track {
  constructor(data) {
    Object.assign(this, { label: data.label, span: data.span, shape: data.shape, states: data.states });
    Object.assign(this, { gaps: data.gaps, events: data.events, columns: data.columns });
    this.times = times(data.time);
    this.state = bytes(data.state);
    this.map = data.map && { ...data.map, times: times(data.map.time), cells: bytes(data.map.data) };
    this.film = data.film && { ...data.film, times: times(data.film.time), images: [] };
    this.decoded = new Map();
  }

  /* A column's values by row, NaN where there is none; null where there is no such column or it is empty. */
  values(name) {
    if (!this.decoded.has(name)) {
      const column = this.columns.find((one) => one.name === name);
      let values = null;
      if (column && column.kind !== "none") {
        const whole = new numbers[column.kind](bytes(column.data).buffer);
        const none = column.kind === "short" ? -32768 : -2147483648;
        values = Float64Array.from(whole, (one) => (one === none ? NaN : one / 10 ** column.decimals));
      }
      this.decoded.set(name, values);
    }
    return this.decoded.get(name);
  }

  shown(column, row) {
    const values = this.values(column.name);
    const own = this.columns.find((one) => one.name === column.name);
    if (!values || Number.isNaN(values[row])) return "not measured";
    if (own.unit === "0/1") return values[row] ? "yes" : "no";
    return `${values[row].toFixed(own.decimals)}${own.unit ? ` ${own.unit}` : ""}`;
  }

  /* The sheet that holds a picture, loaded when first wanted; `then` runs once it is there. */
  sheet(number, then) {
    const film = this.film;
    if (!film.images[number]) {
      film.images[number] = new Image();
      film.images[number].src = film.sheets[number];
    }
    const image = film.images[number];
    if (image.complete && image.naturalWidth) return image;
    image.addEventListener("load", then, { once: true });
    return null;
  }

  /* Draw the picture nearest to a time on a canvas; gives the time of that picture, or null without pictures. */
  draw(canvas, time, again) {
    if (!this.film) return null;
    const index = nearest(this.film.times, time);
    const [width, height] = this.film.size;
    const at = index % this.film.per;
    const image = this.sheet(Math.floor(index / this.film.per), again);
    if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, { width, height });
    if (image) {
      const left = (at % this.film.across) * width;
      const top = Math.floor(at / this.film.across) * height;
      canvas.getContext("2d").drawImage(image, left, top, width, height, 0, 0, width, height);
    }
    return this.film.times[index];
  }
}

/* The readability map over a picture: lost tiles hatched, unmeasured ones crossed, the flying zone outlined. */
class Tiles {
  constructor(map, name) {
    const [top, right, bottom, left] = map.inset;
    this.map = map;
    this.lost = drawn("path", { fill: `url(#${name})`, stroke: "#fff", "stroke-width": 0.02 });
    this.unknown = drawn("path", { fill: "none", stroke: "#fff", "stroke-width": 0.05, opacity: 0.8 });
    const box = { x: map.zone[0], y: map.zone[1], width: map.zone[2], height: map.zone[3], fill: "none" };
    const hatch = drawn("pattern", { id: name, width: 0.3, height: 0.3, patternUnits: "userSpaceOnUse" },
      drawn("rect", { width: 0.3, height: 0.3, fill: "#000", opacity: 0.28 }),
      drawn("path", { d: "M-.1 .1L.1-.1M0 .3L.3 0M.2 .4L.4 .2", stroke: "#fff", "stroke-width": 0.035, opacity: 0.8 }));
    this.node = drawn("svg", { viewBox: `0 0 ${map.columns} ${map.rows}`, preserveAspectRatio: "none", class: "tiles" },
      drawn("defs", {}, hatch), this.lost, this.unknown,
      drawn("rect", { ...box, stroke: "#000", "stroke-width": 0.14 }),
      drawn("rect", { ...box, stroke: "#fff", "stroke-width": 0.06 }));
    this.node.setAttribute("aria-hidden", "true");
    this.node.style.cssText = `inset:${[top, right, bottom, left].map((one) => `${one * 100}%`).join(" ")};` +
      `width:${(1 - left - right) * 100}%;height:${(1 - top - bottom) * 100}%`;
  }

  /* Show the map nearest to a time; gives it in words. */
  show(time) {
    const { rows, columns, cells, steps, zone, times: at } = this.map;
    const number = nearest(at, time);
    const start = number * rows * columns;
    const counts = { seen: 0, known: 0, zoneSeen: 0, zoneKnown: 0 };
    let lost = "";
    let unknown = "";
    for (let tile = 0; tile < rows * columns; tile += 1) {
      const [x, y, value] = [tile % columns, Math.floor(tile / columns), cells[start + tile]];
      if (value === 255) {
        unknown += `M${x + 0.25} ${y + 0.75}l.5-.5`;
        continue;
      }
      const inZone = x >= zone[0] && x < zone[0] + zone[2] && y >= zone[1] && y < zone[1] + zone[3];
      counts.known += 1;
      counts.zoneKnown += inZone;
      counts.seen += value >= steps;
      counts.zoneSeen += inZone && value >= steps;
      if (value < steps) lost += `M${x} ${y}h1v1h-1z`;
    }
    this.lost.setAttribute("d", lost);
    this.unknown.setAttribute("d", unknown);
    return `Map of ${at[number].toFixed(3)} s: ${counts.seen} of ${counts.known} tiles readable, ${counts.zoneSeen} of ${counts.zoneKnown} in the flying zone`;
  }
}

/* How positions along the strip and times of each track go together. */
const timeAxis = (tracks) => {
  const low = Math.min(...tracks.map((one) => one.span[0]));
  const high = Math.max(...tracks.map((one) => one.span[1]));
  const step = [0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600].find((one) => (high - low) / one <= 6) || 7200;
  const ticks = [];
  for (let at = Math.ceil(low / step) * step; at <= high; at += step) ticks.push([at, clock(at, true)]);
  return {
    low, high, ticks, label: "time from the start of the recording, min:s", page: 1,
    time: (_, place) => place,
    place: (_, time) => time,
    step: (place, by) => {
      const list = tracks[0].times;
      return list[clamp(nearest(list, place) + by, 0, list.length - 1)];
    },
    words: (place) => `${clock(place)} min:s`,
  };
};
const placeAxis = (data) => {
  const lists = data.times.map(times);
  const high = lists[0].length - 1;
  return {
    low: 0, high, start: data.start, ticks: data.ticks, label: data.label, page: Math.max(1, Math.round(high / 20)),
    time: (track, place) => {
      const first = clamp(Math.floor(place), 0, high - 1);
      return lists[track][first] + (place - first) * (lists[track][first + 1] - lists[track][first]);
    },
    place: (track, time) => {
      const next = clamp(from(lists[track], time), 1, high);
      const [before, after] = [lists[track][next - 1], lists[track][next]];
      return clamp(next - 1 + (after > before ? (time - before) / (after - before) : 0), 0, high);
    },
    step: (place, by) => clamp(Math.round(place) + by, 0, high),
    words: (place) => data.names[Math.round(place)] || `${data.label} ${Math.round(place)} of ${high}`,
  };
};

const nice = (value) => {
  const power = 10 ** Math.floor(Math.log10(value));
  return ([1, 2, 5, 10].find((one) => one * power >= value * 0.9999) || 10) * power;
};
const range = (lists, percent) => {
  let [low, high] = [Infinity, -Infinity];
  for (const list of lists) for (const value of list) if (value === value) [low, high] = [Math.min(low, value), Math.max(high, value)];
  if (percent && low >= 0 && high > 50 && high <= 100) return [0, 100];
  return [low < 0 ? -nice(-low) : 0, high > 0 ? nice(high) : low < 0 ? 0 : 1];
};
