"use strict";
// Charts to explore: each drawing is replaced by one that can be zoomed and read off, once it is looked at. Without this
// script, and on paper, the drawings stay.
(() => {
  const figures = JSON.parse(document.getElementById("charts").textContent);
  const dashes = {dashed: [7, 4], dotted: [2, 3], mixed: [9, 3, 2, 3], long: [14, 5]};
  const solid = new Set(["dot", "square"]);
  const lines = new Set(["line", "dashed", "dotted", "mixed", "long", "steps"]);
  const ink = name => getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();
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
    const stroke = ink(one.colour);
    const common = {label: one.name, stroke, points: {show: false}};
    if (one.mark === "edge") return {...common, stroke: undefined, width: 0};
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

  const plotted = (figure, place, holder, hooks) => {
    const panel = figure.panels[place], series = seriesOf(panel), last = place === figure.panels.length - 1;
    const axis = {stroke: ink("ink"), font: "13px system-ui, sans-serif", grid: {stroke: ink("line"), width: 1}, ticks: {show: false}};
    const whole = u => u.scales.x.min <= figure.ends[0] && u.scales.x.max >= figure.ends[1];
    const upwards = (u, least, most) => {
      if (whole(u) || least == null) return panel.ends;
      return panel.log ? uPlot.rangeLog(least, most, 10, false) : uPlot.rangeNum(least, most, 0.1, false);
    };
    const numbers = (u, values) => values.map(value => value == null ? "" : number(value));
    const data = aligned(series), [first, end] = [data[0][0], data[0][data[0].length - 1]];
    // All of the data is shown with some room beyond it, as in the drawing.
    const along = (u, least, most) => least <= first && most >= end ? figure.ends : [least, most];
    return new uPlot({
      width: holder.clientWidth, height: (panel.low ? 130 : 230) + (last ? 22 : 0),
      padding: [8, 10, last ? 0 : 8, 0],
      legend: {show: false},
      cursor: {y: false, drag: {x: true, y: false}, sync: {key: figure.name, scales: ["x", null]}, points: {size: 8}},
      scales: {
        x: {time: false, distr: figure.log ? 3 : 1, range: along},
        y: {distr: panel.log ? 3 : 1, range: upwards},
      },
      axes: [{...axis, values: last ? numbers : (u, values) => values.map(() => ""), size: last ? 24 : 0, gap: 4}, {...axis, values: numbers, size: 59}],
      series: [{}, ...series.map(styled)],
      bands: panel.bands.map((band, i) => ({series: [2 * i + 1, 2 * i + 2], fill: ink(band.colour) + "42"})),
      hooks: {...hooks, drawAxes: [behind(panel)]},
    }, data, holder);
  };

  const controls = (element, figure, zoom, point) => {
    const tools = make("div", element, "", "tools"), label = make("label", tools, "Read off at");
    const slider = make("input", label);
    Object.assign(slider, {type: "range", min: 0, max: 1000, value: 500, step: 2});
    slider.addEventListener("input", () => point(slider.value / 1000));
    for (const [words, factor, shift] of [["Zoom in", 0.5, 0], ["Zoom out", 2, 0], ["Left", 1, -0.4], ["Right", 1, 0.4], ["All", 0, 0]]) {
      const button = make("button", tools, words);
      button.type = "button";
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

  // Of a line the value at x, of samples the one that is nearest, if any is within reach.
  const readOff = (one, x, reach) => {
    const {x: xs, y: ys} = one, left = before(xs, x), right = Math.min(left + 1, xs.length - 1);
    if (!lines.has(one.mark)) {
      const near = left < 0 || Math.abs(xs[right] - x) < Math.abs(xs[left] - x) ? right : left;
      return near >= 0 && Math.abs(xs[near] - x) <= reach ? ys[near] : null;
    }
    if (left < 0 || (left === right && xs[left] !== x) || ys[left] == null || ys[right] == null) return null;
    return right === left ? ys[left] : ys[left] + (ys[right] - ys[left]) * (x - xs[left]) / (xs[right] - xs[left]);
  };

  // What the cursor points at, in words.
  const words = (figure, plots) => {
    const [lead] = plots, left = lead.cursor.left;
    if (left == null || left < 0) return "";
    const x = lead.posToVal(left, "x"), reach = 0.03 * (lead.scales.x.max - lead.scales.x.min);
    const found = figure.panels.map(panel => {
      const told = panel.series.filter(one => one.name && one.mark !== "tick").map(one => [one.name, readOff(one, x, reach)]);
      const known = told.filter(([, value]) => value != null).map(([name, value]) => name + " " + number(value, 4));
      return known.length ? panel.words + ": " + known.join(", ") : "";
    }).filter(Boolean);
    const [, what, unit] = figure.words.match(/^(.*?)(?: \[(.*)\])?$/);
    return what + " " + number(x, 4) + (unit ? " " + unit : "") + ". " + found.join("; ");
  };

  const explore = (element, figure) => {
    const to = figure.log ? Math.log : Number, back = figure.log ? Math.exp : Number;
    const panels = [...element.querySelectorAll(".panel")];
    element.classList.add("explored");
    const holders = panels.map(panel => make("div", panel, "", "explorer"));
    const plots = [];
    let waiting = false;
    const tell = () => {
      if (waiting) return;
      waiting = true;
      requestAnimationFrame(() => { waiting = false; readout.textContent = words(figure, plots) || hint; });
    };
    const together = u => {
      for (const other of plots) {
        const {min, max} = u.scales.x;
        if (other !== u && (other.scales.x.min !== min || other.scales.x.max !== max)) other.setScale("x", {min, max});
      }
    };
    const hooks = {setCursor: [tell], setScale: [(u, key) => { if (key === "x") together(u); }]};
    const draw = () => {
      const kept = plots.length ? {...plots[0].scales.x} : null;
      plots.splice(0).forEach(u => u.destroy());
      holders.forEach((holder, place) => plots.push(plotted(figure, place, holder, hooks)));
      if (kept) plots[0].setScale("x", {min: kept.min, max: kept.max});
    };
    const point = share => plots.forEach(u => u.setCursor({left: share * u.over.clientWidth, top: u.over.clientHeight / 2}));
    const zoom = (factor, shift, share) => {
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
    const slider = controls(element, figure, zoom, point);
    const readout = make("p", element, hint, "readout");
    readout.setAttribute("role", "status");
    slider.setAttribute("aria-label", "Read off " + element.querySelector("h3").textContent);
    draw();
    new ResizeObserver(() => plots.forEach((u, i) => {
      if (holders[i].clientWidth && holders[i].clientWidth !== u.width) u.setSize({width: holders[i].clientWidth, height: u.height});
    })).observe(element);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  };

  const seen = new IntersectionObserver(entries => {
    for (const entry of entries) {
      if (!entry.isIntersecting) continue;
      seen.unobserve(entry.target);
      explore(entry.target, figures.find(figure => "chart-" + figure.name === entry.target.id));
    }
  }, {rootMargin: "300px"});
  for (const figure of figures) seen.observe(document.getElementById("chart-" + figure.name));
})();
