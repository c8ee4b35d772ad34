"use strict";
(async () => {
  const source = document.getElementById("explore-data");
  if (!source || typeof DecompressionStream === "undefined") return;
  const section = document.getElementById("explore");
  const given = JSON.parse(source.textContent);
  const missing = given.missing, stepK = given.step;
  const dashes = [[], [7, 4], [2, 3], [7, 3, 2, 3]];

  // ---- numbers ---------------------------------------------------------------------------------------------
  async function unpacked(text, shape) {
    const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    const halves = new Uint8Array(await new Response(stream).arrayBuffer());
    const count = halves.length / 2, size = shape[1] * shape[2];
    const values = new Int16Array(count);
    for (let i = 0; i < count; i++) {
      values[i] = (halves[i] | (halves[count + i] << 8)) + (i >= size ? values[i - size] : 0);
    }
    return values;
  }
  const sessions = await Promise.all(given.sessions.map(async (one) => {
    const shape = [one.clock.length, one.y.length, one.x.length];
    const rise = await unpacked(one.rise, shape);
    const uncertainty = one.uncertainty === null ? null : await unpacked(one.uncertainty, shape);
    return { ...one, shape, rise, uncertainty };
  }));
  const first = Math.min(...sessions.map((one) => one.clock[0]));
  const last = Math.max(...sessions.map((one) => one.clock[one.clock.length - 1]));

  function nearest(sorted, value) {
    let best = 0;
    for (let i = 1; i < sorted.length; i++) if (Math.abs(sorted[i] - value) < Math.abs(sorted[best] - value)) best = i;
    return best;
  }
  function read(one, time, row, column) {
    const at = (time * one.shape[1] + row) * one.shape[2] + column;
    const level = one.rise[at];
    if (level === missing) return null;
    const rise = level * stepK, ambient = one.ambient[time];
    const spread = one.uncertainty === null || one.uncertainty[at] === missing ? null : one.uncertainty[at] * stepK;
    return { rise, temperature: ambient === null ? null : ambient + rise, uncertainty: spread };
  }
  const shown = (value, digits = 1) => value.toFixed(digits).replace("-", "−");
  function words(value) {
    if (value === null) return "not seen";
    const parts = [`rise\u00a0${shown(value.rise)}\u00a0K`];
    if (value.temperature !== null) parts.unshift(`${shown(value.temperature)}\u00a0°C`);
    if (value.uncertainty !== null) parts.push(`±\u00a0${shown(value.uncertainty)}\u00a0K`);
    return parts.join("  ·  ");
  }
  function clock(seconds) {
    const whole = Math.abs(Math.round(seconds)), sign = seconds <= -0.5 ? "−" : "";
    const two = (number) => String(number).padStart(2, "0");
    const hours = Math.floor(whole / 3600), minutes = Math.floor((whole % 3600) / 60);
    return sign + (hours ? `${hours}:${two(minutes)}` : String(minutes)) + `:${two(whole % 60)}`;
  }
  function partAt(x, y) {
    const inside = given.parts.filter(([, px, py, wide, high]) => Math.abs(x - px) <= wide / 2 && Math.abs(y - py) <= high / 2);
    inside.sort((a, b) => a[3] * a[4] - b[3] * b[4]);
    return inside.length ? inside[0][0] : "";
  }
  const placeWords = (x, y) => {
    const name = partAt(x, y);
    return `${shown(x)},\u00a0${shown(y)}\u00a0${given.unit}` + (name ? `, on ${name}` : "");
  };

  // ---- what draws ------------------------------------------------------------------------------------------
  section.hidden = false;
  await Bokeh.embed.embed_items(given.document, given.items);
  const drawing = Bokeh.documents[Bokeh.documents.length - 1];
  const model = (name) => drawing.get_model_by_name(name);
  const plots = sessions.map((_, number) => model(`map-${number}`));
  const curves = model("curves"), now = model("now"), lines = model("lines"), pinMarks = model("pins");
  const across = model("x-range"), up = model("y-range");
  const ratio = (up.end - up.start) / (across.end - across.start);

  // The library's own kind of grid is taken from the blank picture that stands in the document.
  const pictures = sessions.map((one, number) => {
    const halfX = one.x.length > 1 ? Math.abs(one.x[1] - one.x[0]) / 2 : 0.5;
    const halfY = one.y.length > 1 ? Math.abs(one.y[1] - one.y[0]) / 2 : 0.5;
    const bottom = Math.min(one.y[0], one.y[one.y.length - 1]) - halfY;
    const place = { x: [one.x[0] - halfX], y: [bottom], dw: [one.x.length * 2 * halfX], dh: [one.y.length * 2 * halfY] };
    const from = model(`image-${number}`);
    return { place, source: from, Grid: from.data.image[0].constructor };
  });
  const moments = Math.max(2, ...sessions.map((one) => one.clock.length)); // that the slider knows
  let time = last;
  const times = () => sessions.map((one) => nearest(one.clock, time));
  let drawn = sessions.map(() => -1);
  function draw() {
    times().forEach((at, number) => {
      if (drawn[number] === at) return;
      drawn[number] = at;
      const one = sessions[number], { place, source, Grid } = pictures[number];
      const [, rows, columns] = one.shape;
      const image = new Grid(new Float32Array(rows * columns), [rows, columns]);
      for (let row = 0; row < rows; row++) { // the library counts rows from below
        const begin = (at * rows + rows - 1 - row) * columns;
        for (let column = 0; column < columns; column++) {
          const level = one.rise[begin + column];
          image[row * columns + column] = level === missing ? NaN : level * stepK;
        }
      }
      source.data = { image: [image], ...place };
    });
    now.location = time;
    document.getElementById("explore-clock").textContent = `${clock(time)} ${given.clock}`;
    slider.value = Math.round(((time - first) / (last - first)) * (moments - 1));
    slider.setAttribute("aria-valuetext", clock(time));
    tell();
    tellPins();
  }

  // ---- reading and pinning ---------------------------------------------------------------------------------
  let mark = null;
  function tell() {
    sessions.forEach((one, number) => {
      const output = document.getElementById(`explore-reading-${number}`);
      const cursor = model(`cursor-${number}`);
      if (mark === null) {
        output.textContent = "Point at a place to read it.";
        cursor.data = { x: [], y: [] };
        return;
      }
      const row = nearest(one.y, mark[1]), column = nearest(one.x, mark[0]);
      const value = read(one, nearest(one.clock, time), row, column);
      output.textContent = `${placeWords(one.x[column], one.y[row])}:  ${words(value)}`;
      cursor.data = { x: [one.x[column]], y: [one.y[row]] };
    });
  }
  const colour = (number) => getComputedStyle(section).getPropertyValue(`--series-${number % 8}`).trim();
  let pins = given.pins.map((place, number) => ({ place, number }));
  let counted = pins.length;
  function pin(x, y) {
    const one = sessions[0];
    const place = [one.x[nearest(one.x, x)], one.y[nearest(one.y, y)]];
    if (pins.some((other) => other.place[0] === place[0] && other.place[1] === place[1])) return;
    pins.push({ place, number: counted++ });
    drawPins();
  }
  function drawPins() {
    pinMarks.data = {
      x: pins.map((one) => one.place[0]), y: pins.map((one) => one.place[1]),
      colour: pins.map((one) => colour(one.number)), label: pins.map((one) => String(one.number + 1)),
    };
    const made = { xs: [], ys: [], colour: [], dash: [] };
    for (const one of pins) {
      sessions.forEach((session, number) => {
        const row = nearest(session.y, one.place[1]), column = nearest(session.x, one.place[0]);
        made.xs.push(session.clock);
        made.ys.push(session.clock.map((_, at) => read(session, at, row, column)?.rise ?? NaN));
        made.colour.push(colour(one.number));
        made.dash.push(dashes[number]);
      });
    }
    lines.data = made;
    const known = made.ys.flat().filter((value) => !Number.isNaN(value));
    curves.y_range.start = Math.min(0, ...known) - 1;
    curves.y_range.end = Math.max(1, ...known) * 1.05;
    const body = document.getElementById("explore-pins");
    body.replaceChildren(...pins.map((one) => {
      const line = document.createElement("tr");
      const head = document.createElement("th");
      head.scope = "row";
      const key = document.createElement("span");
      key.className = "key";
      key.style.background = `var(--series-${one.number % 8})`;
      head.append(key, `${one.number + 1}:  ${placeWords(...one.place)}`);
      const cells = sessions.map((session) => {
        const cell = Object.assign(document.createElement("td"), { className: "n" });
        if (sessions.length > 1) cell.dataset.label = session.name;
        return cell;
      });
      const remove = Object.assign(document.createElement("button"), { type: "button", textContent: "Remove" });
      remove.setAttribute("aria-label", `Remove pin ${one.number + 1}`);
      remove.addEventListener("click", () => {
        pins = pins.filter((other) => other !== one);
        drawPins();
        (body.querySelector("button") || document.getElementById("explore-map-0")).focus();
      });
      const end = document.createElement("td");
      end.append(remove);
      line.append(head, ...cells, end);
      return line;
    }));
    tellPins();
  }
  function tellPins() {
    const at = times();
    [...document.getElementById("explore-pins").rows].forEach((line, index) => {
      const one = pins[index];
      sessions.forEach((session, number) => {
        const value = read(session, at[number], nearest(session.y, one.place[1]), nearest(session.x, one.place[0]));
        line.cells[number + 1].textContent = words(value);
      });
    });
  }

  plots.forEach((plot, number) => {
    const one = sessions[number], place = document.getElementById(`explore-map-${number}`);
    const on = (event) => event.x >= given_x[0] && event.x <= given_x[1] && event.y >= given_y[0] && event.y <= given_y[1];
    plot.on_event("mousemove", (event) => { mark = on(event) ? [event.x, event.y] : null; tell(); });
    plot.on_event("mouseleave", () => { mark = null; tell(); });
    plot.on_event("tap", (event) => { if (on(event)) { mark = [event.x, event.y]; pin(event.x, event.y); tell(); } });
    place.addEventListener("keydown", (event) => {
      const moves = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
      const move = moves[event.key], size = event.shiftKey ? 10 : 1;
      if (move) {
        const middle = [Math.floor(one.x.length / 2), Math.floor(one.y.length / 2)];
        const from = mark === null ? middle : [nearest(one.x, mark[0]), nearest(one.y, mark[1])];
        const column = Math.min(Math.max(from[0] + move[0] * size, 0), one.x.length - 1);
        const row = Math.min(Math.max(from[1] + move[1] * size, 0), one.y.length - 1);
        mark = [one.x[column], one.y[row]];
        tell();
      } else if (event.key === "Enter" && mark !== null) pin(...mark);
      else if (event.key === "Escape") { mark = null; tell(); }
      else return;
      event.preventDefault();
    });
  });
  const given_x = [across.start, across.end], given_y = [up.start, up.end];

  // ---- the clock -------------------------------------------------------------------------------------------
  const slider = document.getElementById("explore-time"), button = document.getElementById("explore-play");
  slider.max = moments - 1;
  slider.addEventListener("input", () => {
    stop();
    time = first + (Number(slider.value) / (moments - 1)) * (last - first);
    draw();
  });
  const playing = 12; // seconds for the whole
  let began = null, request = 0;
  function advance(moment) {
    if (began === null) began = moment - ((time - first) / (last - first)) * playing * 1000;
    time = Math.min(first + ((moment - began) / (playing * 1000)) * (last - first), last);
    draw();
    if (time >= last) stop();
    else request = requestAnimationFrame(advance);
  }
  function stop() {
    cancelAnimationFrame(request);
    request = 0;
    button.textContent = "Play";
  }
  button.addEventListener("click", () => {
    if (request) return stop();
    if (time >= last) time = first;
    began = null;
    button.textContent = "Pause";
    request = requestAnimationFrame(advance);
  });

  // ---- looks: the page's own colours, by day and by night; the board's own shape at any width ---------------
  function recolour() {
    const style = getComputedStyle(section);
    const ink = style.getPropertyValue("--ink").trim(), muted = style.getPropertyValue("--muted").trim();
    const rule = style.getPropertyValue("--line").trim();
    for (const plot of [...plots, curves]) {
      for (const axis of [...plot.below, ...plot.left]) {
        if ("axis_label_text_color" in axis) {
          axis.axis_label_text_color = axis.major_label_text_color = muted;
          axis.major_tick_line_color = rule;
        } else {
          axis.title_text_color = axis.major_label_text_color = muted;
        }
      }
      for (const one of plot.center) {
        if ("grid_line_color" in one) { if (one.grid_line_color !== null) one.grid_line_color = rule; }
        else if ("location" in one) one.line_color = muted;
      }
      for (const one of plot.renderers) if (one.name === "events") one.glyph.text_color = { value: muted };
    }
    now.line_color = ink;
    drawPins();
  }
  function resize() {
    plots.forEach((plot, number) => {
      const width = document.getElementById(`explore-map-${number}`).clientWidth;
      const inner = Math.max(width - 76, 120);
      plot.width = width;
      plot.frame_width = inner;
      plot.frame_height = Math.round(inner * ratio);
      plot.height = null;
    });
    const room = document.getElementById("explore-curves").clientWidth;
    const steps = [5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 36000, 86400];
    const step = steps.find((one) => (last - first) / one <= room / 80) ?? 7 * 86400;
    const ticks = [];
    for (let at = Math.ceil(first / step) * step; at <= last; at += step) ticks.push(at);
    const axis = curves.below[0];
    axis.major_label_overrides = new Map(ticks.map((at) => [at, clock(at)]));
    axis.ticker.ticks = ticks;
    curves.width = document.getElementById("explore-curves").clientWidth;
  }
  new ResizeObserver(resize).observe(section);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", recolour);
  if (matchMedia("(pointer: coarse)").matches) { // a finger that drags scrolls the page, until it is asked to pan
    for (const plot of plots) for (const tool of plot.toolbar.tools) if (tool.type === "PanTool") tool.active = false;
  }
  curves.x_range.start = first;
  curves.x_range.end = first + (last - first) * 1.01;
  resize();
  recolour();
  draw();
  section.dataset.ready = "yes";
})();
