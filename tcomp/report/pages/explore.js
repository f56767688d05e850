"use strict";
// Charts to explore: over each drawing lies one that can be zoomed and read off, once it is looked at. The drawing below
// keeps its room and its name, for readers who do not see; without this script, and on paper, it is what is seen.
(() => {
  const figures = JSON.parse(document.getElementById("charts").textContent);
  const dashes = {dashed: [7, 4], dotted: [2, 3], mixed: [9, 3, 2, 3], long: [14, 5]};
  const solid = new Set(["dot", "square", "disc", "block"]);
  const lines = new Set(["line", "dashed", "dotted", "mixed", "long", "steps"]);
  const ink = name => getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();
  const ROOM = 8, LABELS = 24;
  const number = (value, digits = 6) => String(Number(value.toPrecision(digits)));
  const make = (name, parent, text, kind) => {
    const element = parent.appendChild(document.createElement(name));
    if (text) element.textContent = text;
    if (kind) element.className = kind;
    return element;
  };

  // Points about their place on the canvas, in its pixels.
  const points = {
    dot: (path, x, y, r) => { path.moveTo(x + r, y); path.arc(x, y, r, 0, 2 * Math.PI); },
    dash: (path, x, y, r) => { path.moveTo(x, y - 1.8 * r); path.lineTo(x, y + 1.8 * r); },
    square: (path, x, y, r) => { path.rect(x - 1.6 * r, y - 1.6 * r, 3.2 * r, 3.2 * r); },
    disc: (path, x, y, r) => { path.moveTo(x + 3.4 * r, y); path.arc(x, y, 3.4 * r, 0, 2 * Math.PI); },
    block: (path, x, y, r) => { path.rect(x - 3.2 * r, y - 3.2 * r, 6.4 * r, 6.4 * r); },
    tick: (path, x, y, r) => { path.moveTo(x, y - 5 * r); path.lineTo(x, y + 5 * r); },
  };
  const marked = mark => (u, place, first, last) => {
    const path = new Path2D(), [xs, ys] = [u.data[0], u.data[place]], r = 1.3 * devicePixelRatio;
    const {top, height} = u.bbox;
    for (let i = first; i <= last; i++) {
      if (ys[i] == null) continue;
      // What lies beyond the panel stands at its edge.
      const y = Math.min(Math.max(u.valToPos(ys[i], "y", true), top), top + height);
      points[mark](path, u.valToPos(xs[i], "x", true), y, r);
    }
    return {stroke: path, fill: solid.has(mark) ? path : null, clip: null, band: null, gaps: null, flags: 0};
  };

  // Bars from the foot of the panel: of one series x holds the edges, and y the heights between them.
  const barred = one => u => {
    const path = new Path2D(), foot = u.bbox.top + u.bbox.height, gap = devicePixelRatio;
    for (let i = 0; i + 1 < one.x.length; i++) {
      const left = u.valToPos(one.x[i], "x", true), right = u.valToPos(one.x[i + 1], "x", true), top = u.valToPos(one.y[i], "y", true);
      if (top < foot) path.rect(left + gap, top, Math.max(right - left - 2 * gap, gap), foot - top);
    }
    return {stroke: null, fill: path, clip: null, band: null, gaps: null, flags: 0};
  };

  // One column of x for all series, in order; where a series has no sample its value is left undefined.
  const aligned = series => {
    const all = series.flatMap((one, place) => one.x.map((x, i) => [x, place + 1, one.y[i]])).sort((a, b) => a[0] - b[0]);
    const data = [all.map(row => row[0]), ...series.map(() => new Array(all.length).fill(undefined))];
    all.forEach(([, place, y], i) => { data[place][i] = y; });
    return data;
  };

  const seriesOf = panel => [
    ...panel.bands.flatMap(band => ["high", "low"].map(edge => ({name: "", mark: "edge", colour: band.colour, x: band.x, y: band[edge]}))),
    ...panel.series,
  ];

  const styled = one => {
    const stroke = ink(one.colour) + (one.faint ? "4d" : "");
    const common = {label: one.name, stroke, points: {show: false}};
    if (one.mark === "edge") return {...common, stroke: undefined, width: 0};
    if (one.mark === "bars") return {...common, stroke: undefined, fill: stroke + "d9", width: 0, paths: barred(one)};
    if (one.mark === "steps") return {...common, width: 1.6, paths: uPlot.paths.stepped({align: 1})};
    if (lines.has(one.mark)) return {...common, width: 1.6, dash: dashes[one.mark]};
    return {...common, width: solid.has(one.mark) ? 0 : 1.4, fill: solid.has(one.mark) ? stroke : undefined, paths: marked(one.mark)};
  };

  const behind = panel => u => {
    const {ctx, bbox: {left, top, width, height}} = u;
    ctx.save();
    ctx.beginPath(); ctx.rect(left, top, width, height); ctx.clip();
    ctx.globalAlpha = 0.26; ctx.fillStyle = ink("quiet");
    for (const [start, end] of panel.spans) {
      const from = u.valToPos(start, "x", true);
      ctx.fillRect(from, top, u.valToPos(end, "x", true) - from, height);
    }
    ctx.globalAlpha = 1; ctx.strokeStyle = ink("ink"); ctx.lineWidth = devicePixelRatio; ctx.setLineDash([4 * devicePixelRatio, 3 * devicePixelRatio]);
    for (const {at, upright} of panel.levels) {
      ctx.beginPath();
      const place = u.valToPos(at, upright ? "x" : "y", true);
      if (upright) { ctx.moveTo(place, top); ctx.lineTo(place, top + height); } else { ctx.moveTo(left, place); ctx.lineTo(left + width, place); }
      ctx.stroke();
    }
    ctx.restore();
  };

  const noted = panel => u => {
    const {ctx, bbox: {left, top, width, height}} = u;
    ctx.save();
    ctx.beginPath(); ctx.rect(left, top, width, height); ctx.clip();
    ctx.font = 13 * devicePixelRatio + "px system-ui, sans-serif"; ctx.fillStyle = ink("ink");
    ctx.strokeStyle = ink("paper"); ctx.lineWidth = 3 * devicePixelRatio;
    for (const [text, at, up] of panel.notes) {
      const x = u.valToPos(at, "x", true), high = u.valToPos(up, "y", true);
      const y = high + (high < top + 0.15 * height ? 15 : -5) * devicePixelRatio;
      ctx.textAlign = x > left + 0.8 * width ? "right" : "left";
      ctx.strokeText(text, x, y); ctx.fillText(text, x, y);
    }
    ctx.restore();
  };

  const plotted = (figure, place, holder, height, hooks) => {
    const panel = figure.panels[place], series = seriesOf(panel), last = place === figure.panels.length - 1;
    const axis = {stroke: ink("ink"), font: "13px system-ui, sans-serif", grid: {stroke: ink("line"), width: 1}, ticks: {show: false}};
    // The ends of x that are being set: those of the scale are still the ones before.
    let seen = figure.ends;
    const upwards = (u, least, most) => {
      if ((seen[0] <= figure.ends[0] && seen[1] >= figure.ends[1]) || least == null) return panel.ends;
      return panel.log ? uPlot.rangeLog(least, most, 10, false) : uPlot.rangeNum(least, most, 0.1, false);
    };
    // Of a logarithmic axis round numbers alone, so many that they have room.
    const factors = (u, axis, least, most) => {
      const decades = Math.log10(most / least), every = Math.max(1, Math.ceil(decades / 6)), found = [];
      for (let power = Math.floor(Math.log10(least)); power <= Math.ceil(Math.log10(most)); power++) {
        if (power % every) continue;
        for (const factor of decades < 2 ? [1, 2, 5] : decades < 3.5 ? [1, 5] : [1]) found.push(factor * 10 ** power);
      }
      return found.filter(value => value >= 0.999 * least && value <= 1.001 * most);
    };
    const numbers = (u, values) => values.map(value => value == null ? "" : number(value));
    const data = aligned(series), [first, end] = [data[0][0], data[0][data[0].length - 1]];
    // All of the data is shown with some room beyond it, as in the drawing.
    const along = (u, least, most) => seen = least <= first && most >= end ? figure.ends : [least, most];
    return new uPlot({
      // As large as the drawing below, and its axes where those are (page.css: .plot).
      width: holder.clientWidth, height: ROOM + height + (last ? LABELS : 0),
      padding: [ROOM, 16, 0, 0],
      legend: {show: false},
      cursor: {y: false, drag: {x: true, y: false}, sync: {key: figure.name, scales: ["x", null]}, points: {show: false}},
      scales: {
        x: {time: false, distr: figure.log ? 3 : 1, range: along},
        y: {distr: panel.log ? 3 : 1, range: upwards},
      },
      axes: [{...axis, ...(figure.log ? {splits: factors, filter: (u, splits) => splits} : {}), values: last ? numbers : (u, values) => values.map(() => ""), size: last ? LABELS : 0, gap: 4}, {...axis, ...(panel.log ? {splits: factors, filter: (u, splits) => splits} : {}), values: numbers, size: 59}],
      series: [{}, ...series.map(styled)],
      bands: panel.bands.map((band, i) => ({series: [2 * i + 1, 2 * i + 2], fill: ink(band.colour) + "42"})),
      hooks: {...hooks, drawAxes: [behind(panel)], draw: [noted(panel)]},
    }, data, holder);
  };

  const controls = (element, title, zoom, point) => {
    const tools = make("div", element, "", "tools"), label = make("label", tools, "Read off at");
    tools.setAttribute("role", "group");
    tools.setAttribute("aria-label", "Explore " + title);
    const slider = make("input", label);
    Object.assign(slider, {type: "range", min: 0, max: 1000, value: 500, step: 2});
    slider.setAttribute("aria-label", "Read off " + title);
    slider.addEventListener("input", () => point(slider.value / 1000));
    for (const [words, factor, shift] of [["Zoom in", 0.5, 0], ["Zoom out", 2, 0], ["Left", 1, -0.4], ["Right", 1, 0.4], ["All", 0, 0]]) {
      const button = make("button", tools, words);
      button.type = "button";
      button.setAttribute("aria-label", words + ", " + title);
      button.addEventListener("click", () => zoom(factor, shift, slider.value / 1000));
    }
    return slider;
  };

  // The place of the last x of a column that is not beyond this one; -1 before the first.
  const before = (xs, x) => {
    let low = 0, high = xs.length;
    while (low < high) { const middle = (low + high) >> 1; if (xs[middle] <= x) low = middle + 1; else high = middle; }
    return low - 1;
  };

  // Of a line its point at x, of samples the one that is nearest, if any is within reach.
  const readOff = (one, x, reach) => {
    const {x: xs, y: ys} = one, left = before(xs, x), right = Math.min(left + 1, xs.length - 1);
    if (one.mark === "bars") return left < 0 || ys[left] == null ? null : [x, ys[left]];
    if (!lines.has(one.mark)) {
      const near = left < 0 || Math.abs(xs[right] - x) < Math.abs(xs[left] - x) ? right : left;
      return near >= 0 && Math.abs(xs[near] - x) <= reach && ys[near] != null ? [xs[near], ys[near]] : null;
    }
    if (left < 0 || (left === right && xs[left] !== x) || ys[left] == null || ys[right] == null) return null;
    if (right === left || one.mark === "steps") return [x, ys[left]];
    return [x, ys[left] + (ys[right] - ys[left]) * (x - xs[left]) / (xs[right] - xs[left])];
  };

  // What the cursor points at: of each panel its series with a name, and their points.
  const pointed = (figure, x, reach) => figure.panels.map(panel => panel.series
    .filter(one => one.mark !== "tick").map(one => [one, readOff(one, x, reach)]).filter(([, place]) => place));

  const place = (figure, x) => {
    const [, what, unit] = figure.words.match(/^(.*?)(?: \[(.*)\])?$/);
    return [what, number(x, 4) + (unit ? " " + unit : "")];
  };

  const sentence = (figure, x, found) => place(figure, x).join(" ") + ". " + found.map((read, i) => {
    const named = read.map(([one, [, y]]) => (one.name ? one.name + " " : "") + number(y, 4));
    return named.length ? figure.panels[i].words + ": " + named.join(", ") : "";
  }).filter(Boolean).join("; ");

  const spotted = (u, read) => {
    u.over.querySelectorAll(".spot").forEach(one => one.remove());
    for (const [one, [x, y]] of read) {
      const spot = make("div", u.over, "", "spot c-" + one.colour);
      spot.style.left = u.valToPos(x, "x") + "px";
      spot.style.top = Math.min(Math.max(u.valToPos(y, "y"), 0), u.over.clientHeight) + "px";
    }
  };

  // Slider, buttons and readout stand from the start, so that the page keeps its length; the plots come when they are seen.
  const prepare = (element, figure) => {
    const to = figure.log ? Math.log : Number, back = figure.log ? Math.exp : Number;
    const drawings = [...element.querySelectorAll(".drawing")], plots = [];
    const title = element.querySelector("h3, h4").textContent;
    let waiting = false;
    const tell = () => {
      if (waiting) return;
      waiting = true;
      requestAnimationFrame(() => {
        waiting = false;
        const [lead] = plots, left = lead.cursor.left;
        if (left == null || left < 0) { plots.forEach(u => spotted(u, [])); readout.textContent = hint; return; }
        const x = lead.posToVal(left, "x"), found = pointed(figure, x, 0.03 * (lead.scales.x.max - lead.scales.x.min));
        slider.value = 1000 * left / lead.over.clientWidth;
        slider.setAttribute("aria-valuetext", place(figure, x)[1]);
        plots.forEach((u, i) => spotted(u, found[i]));
        readout.textContent = sentence(figure, x, found);
      });
    };
    const together = u => {
      for (const other of plots) {
        const {min, max} = u.scales.x;
        if (other !== u && (other.scales.x.min !== min || other.scales.x.max !== max)) other.setScale("x", {min, max});
      }
      if (plots.length === drawings.length) tell();
    };
    const hooks = {setCursor: [tell], setScale: [(u, key) => { if (key === "x") together(u); }]};
    const draw = () => {
      if (!element.classList.contains("explored")) return;
      const kept = plots.length ? {...plots[0].scales.x} : null;
      plots.splice(0).forEach(u => u.destroy());
      drawings.forEach((drawing, i) => {
        const holder = drawing.querySelector(".explorer");
        const u = plotted(figure, i, holder, drawing.querySelector(".plot").clientHeight, hooks);
        plots.push(u);
        // Fingers read off; a mouse draws across to zoom.
        for (const kind of ["pointerdown", "pointermove"]) u.over.addEventListener(kind, event => {
          if (event.pointerType !== "mouse") point((event.clientX - u.over.getBoundingClientRect().left) / u.over.clientWidth);
        });
      });
      if (kept) plots[0].setScale("x", {min: kept.min, max: kept.max});
    };
    const explore = () => {
      if (plots.length) return;
      element.classList.add("explored");
      drawings.forEach(drawing => make("div", drawing, "", "explorer").setAttribute("aria-hidden", "true"));
      draw();
    };
    const point = share => {
      explore();
      plots.forEach(u => u.setCursor({left: Math.min(Math.max(share, 0), 1) * u.over.clientWidth, top: u.over.clientHeight / 2}));
    };
    const zoom = (factor, shift, share) => {
      explore();
      const [first, last] = figure.ends.map(to), {min, max} = plots[0].scales.x;
      if (!factor) { plots[0].setScale("x", {min: figure.ends[0], max: figure.ends[1]}); return; }
      const width = Math.min((to(max) - to(min)) * factor, last - first);
      const middle = to(min) + (to(max) - to(min)) * share;
      const start = shift ? to(min) + shift * width : middle - share * width;
      const from = Math.min(Math.max(start, first), last - width);
      plots[0].setScale("x", {min: from === first ? figure.ends[0] : back(from), max: from + width === last ? figure.ends[1] : back(from + width)});
      point(share);
    };
    const hint = "Point at the picture to read off values; draw across it to zoom in, double-click to see all.";
    const slider = controls(element, title, zoom, point);
    slider.setAttribute("aria-valuetext", place(figure, back((to(figure.ends[0]) + to(figure.ends[1])) / 2))[1]);
    const readout = make("p", element, hint, "readout");
    readout.setAttribute("role", "status");
    new ResizeObserver(() => {
      if (plots.length && drawings[0].clientWidth && drawings[0].clientWidth !== plots[0].width) draw();
    }).observe(element);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
    return explore;
  };

  const found = new Map(figures.map(figure => {
    const element = document.getElementById("chart-" + figure.name);
    return [element, prepare(element, figure)];
  }));
  const seen = new IntersectionObserver(entries => {
    for (const entry of entries) {
      if (!entry.isIntersecting) continue;
      seen.unobserve(entry.target);
      found.get(entry.target)();
    }
  }, {rootMargin: "300px"});
  for (const element of found.keys()) seen.observe(element);
})();
