"use strict";
// The page without this script is whole; the script moves the setting, filters the moments, and no more.
// It computes no figure: it looks up what Python computed for the setting that is pointed at.
(() => {
  const store = document.getElementById("figures");
  if (!store) return;
  const data = JSON.parse(store.textContent);
  const byId = (id) => document.getElementById(id);
  const SVG = "http://www.w3.org/2000/svg";

  const unpack = (packed) => {
    const bytes = atob(packed.which);
    return (k) => packed.values[bytes.charCodeAt(2 * k) | (bytes.charCodeAt(2 * k + 1) << 8)];
  };
  for (const d of data.detectors) {
    d.figure = Object.fromEntries(Object.entries(d.figures).map(([name, packed]) => [name, unpack(packed)]));
    for (const c of d.classes) c.alarmsAt = unpack(c.alarms);
    for (const p of d.phones) { p.caughtAt = unpack(p.caught); p.countedAt = unpack(p.counted); }
    d.reach = Object.fromEntries(Object.entries(d.roc.reach).map(([name, packed]) => [name, unpack(packed)]));
  }

  // ---- figures as text ----
  const short = (value) => {
    if (value === null || value === undefined) return "unknown";
    if (value === "never") return "never";
    return String(Number(value.toPrecision(3)));
  };
  const percent = (value) => (value === null ? "unknown" : `${short(100 * value)} %`);
  const seconds = (value) => (typeof value === "number" ? `${value.toFixed(2)} s` : short(value));
  const between = (low, high, as) => (low === null || high === null ? "unknown" : `${as(low)} to ${as(high)}`);
  const put = (name, text, value) => {
    const cell = document.querySelector(`[data-figure="${name}"]`);
    cell.textContent = text;
    if (value !== undefined) cell.dataset.value = JSON.stringify(value);
  };

  // ---- marks on the drawings ----
  const element = (name, attributes, parent) => {
    const made = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    return parent.appendChild(made);
  };
  const symlog = (value, scale) => {
    const bend = scale.linscale / (1 - 1 / 10);
    const size = Math.abs(value);
    if (size <= scale.linthresh) return value * bend;
    return Math.sign(value) * scale.linthresh * (bend + Math.log10(size / scale.linthresh));
  };
  const placer = (frame) => {
    const across = frame.symlog ? (v) => symlog(v, frame.symlog) : (v) => v;
    const [left, top, width, height] = frame.box;
    const x0 = across(frame.x[0]), x1 = across(frame.x[1]);
    const within = (share) => Math.min(1, Math.max(0, share));
    return (x, y) => [
      left + width * within((across(x) - x0) / (x1 - x0)),
      top + height * (1 - within((y - frame.y[0]) / (frame.y[1] - frame.y[0]))),
    ];
  };
  const diamond = ([x, y], r) => `M${x} ${y - r}L${x + r} ${y}L${x} ${y + r}L${x - r} ${y}Z`;
  const fixed = (point) => point.map((v) => v.toFixed(2)).join(" ");

  const overlays = new Map();
  const drawings = [...document.querySelectorAll("[data-drawing]")];
  for (const d of data.detectors) {
    const own = {};
    for (const name of Object.keys(d.frames)) {
      const holder = drawings.find(
        (each) => each.dataset.drawing === name && each.closest(".views").dataset.detector === d.name,
      );
      const group = element("g", { class: "hand" }, holder.querySelector("svg"));
      own[name] = { place: placer(d.frames[name]), group };
      if (name === "roc") {
        own.roc.curves = ["events", "pieces"].map((word) => element("path", { class: `hand-curve ${word}` }, group));
        own.roc.marks = ["events", "pieces"].map(() => element("path", { class: "hand-mark" }, group));
      } else {
        own[name].lines = element("path", { class: "hand-line" }, group);
        own[name].mark = element("path", { class: "hand-mark" }, group);
      }
    }
    overlays.set(d.name, own);
  }

  // ---- the setting ----
  const state = { detector: data.detectors[0], lane: 0, delay: 0 };
  const pick = byId("x-detector"), across = byId("x-threshold"), along = byId("x-delay");

  const drawHand = () => {
    const { detector: d, lane, delay } = state;
    const own = overlays.get(d.name);
    const cell = lane * d.delays.length + delay;
    const at = own.plane.place(d.position[lane], d.logDelay[delay]);
    const [left, top, width, height] = d.frames.plane.box;
    own.plane.lines.setAttribute("d", `M${left} ${at[1]}H${left + width}M${at[0]} ${top}V${top + height}`);
    own.plane.mark.setAttribute("d", diamond(at, 6));
    const counted = d.figure.counted(cell);
    const alarms = d.figure.alarms_per_day(cell);
    if (own.free) {
      const known = counted > 0 && typeof alarms === "number";
      own.free.group.style.display = known ? "" : "none";
      if (known) own.free.mark.setAttribute("d", diamond(own.free.place(alarms, d.figure.caught(cell) / counted), 6));
    }
    if (own.roc) {
      ["events", "pieces"].forEach((word, k) => {
        const all = d.roc[word];
        const shown = all > 0 && d.roc.calls > 0;
        own.roc.curves[k].style.display = own.roc.marks[k].style.display = shown ? "" : "none";
        if (!shown) return;
        const point = (j) => {
          const c = j * d.delays.length + delay;
          return own.roc.place(d.reach[word](c) / all, d.reach.calls(c) / d.roc.calls);
        };
        const points = [own.roc.place(0, 0)];
        for (let j = d.position.length - 1; j >= 0; j--) points.push(point(j));
        points.push(own.roc.place(1, 1));
        own.roc.curves[k].setAttribute("d", "M" + points.map(fixed).join("L"));
        own.roc.marks[k].setAttribute("d", diamond(point(lane), 5));
      });
    }
  };

  const failures = (d, cell) => {
    const said = [];
    if (d.figure.fails_calls(cell)) said.push("misses too many calls");
    if (d.figure.fails_alarms(cell)) said.push("too many false alarms");
    if (d.figure.fails_response(cell)) said.push("answers too late");
    return said;
  };

  const tell = () => {
    const { detector: d, lane, delay } = state;
    const cell = lane * d.delays.length + delay;
    const f = Object.fromEntries(Object.entries(d.figure).map(([name, at]) => [name, at(cell)]));
    const said = failures(d, cell);
    const verdict = byId("x-verdict");
    const passes = !f.acceptable ? false : d.unknown.length ? null : true;
    verdict.className = "verdict " + (passes ? "yes" : "no");
    verdict.dataset.value = JSON.stringify(passes);
    verdict.textContent = passes
      ? "Passes all three limits on these recordings."
      : passes === null
        ? "Open: nothing known fails, but false alarms a day are unknown."
        : `Fails: ${said.join(", ")}.`;
    put("calls", `${f.caught} of ${f.counted}`, [f.caught, f.counted]);
    put("calls-interval", between(f.calls_lower, f.calls_upper, percent), [f.calls_lower, f.calls_upper]);
    put("calls-ok", f.fails_calls ? "no" : "yes");
    put("alarms", short(f.alarms_per_day), f.alarms_per_day);
    put("alarms-interval", between(f.alarms_lower, f.alarms_upper, short), [f.alarms_lower, f.alarms_upper]);
    put("alarms-ok", f.alarms_per_day === null ? "unknown" : f.fails_alarms ? "no" : "yes");
    put("p95", seconds(f.response_p95_s), f.response_p95_s);
    put("p95-interval", between(f.p95_lower_s, f.p95_upper_s, seconds), [f.p95_lower_s, f.p95_upper_s]);
    put("p95-ok", f.fails_response ? "no" : "yes");
    put("median", seconds(f.response_median_s), f.response_median_s);
    put("minutes", short(f.alert_minutes_per_day), f.alert_minutes_per_day);
    put("masked", `${f.masked} by an earlier call's or an uncounted one, ${f.masked_by_alarm} by a false alarm`, [f.masked, f.masked_by_alarm]);
    put("threshold", d.lanes[lane].text, (d.thresholdV ?? d.thresholdLevel)?.[lane] ?? null);
    put("delay", d.delays[delay].text, d.delays[delay].s);
    put("gain", d.lanes[lane].gainText, d.lanes[lane].gain);
    put("knob-gain", d.lanes[lane].knob, d.lanes[lane].ohm);
    put("knob-delay", d.delays[delay].knob, d.delays[delay].ohm);
    put("part-gain", d.lanes[lane].nearest);
    put("part-delay", d.delays[delay].nearest);
    for (const [word, name] of [["events", "nuisance events"], ["pieces", "10 s pieces"]]) {
      const area = d.roc.areas[word][delay];
      const all = d.roc[word], reach = d.reach[word](cell);
      put(`roc-${word}`, all ? `${reach} of ${all} ${name} (${percent(reach / all)}), area ${short(area[0])} ` +
        `(${between(area[1], area[2], short)})` : `no ${name} recorded`, [reach, all, ...area]);
    }
    put("roc-calls", `${d.reach.calls(cell)} of ${d.roc.calls}`, [d.reach.calls(cell), d.roc.calls]);
    const fill = (id, rows) => {
      const body = byId(id);
      body.replaceChildren();
      for (const row of rows) {
        const line = body.appendChild(document.createElement("tr"));
        row.forEach((text, k) => {
          const made = line.appendChild(document.createElement(k ? "td" : "th"));
          if (!k) made.scope = "row";
          made.textContent = text;
        });
      }
    };
    fill("x-classes", d.classes.map((c) => [
      c.name, String(c.alarmsAt(cell)), c.recorded, c.weight === null ? "unknown" : short(c.alarmsAt(cell) * c.weight),
    ]));
    fill("x-phones", d.phones.map((p) => [
      p.name, String(p.caughtAt(cell)), String(p.countedAt(cell) - p.caughtAt(cell)),
    ]));
    across.setAttribute("aria-valuetext", d.lanes[lane].text);
    along.setAttribute("aria-valuetext", d.delays[delay].text);
    byId("x-threshold-text").textContent = d.lanes[lane].text;
    byId("x-delay-text").textContent = d.delays[delay].text;
  };

  const show = () => {
    across.value = state.lane;
    along.value = state.delay;
    tell();
    drawHand();
  };
  const move = (lane, delay) => {
    const d = state.detector;
    state.lane = Math.min(d.lanes.length - 1, Math.max(0, lane));
    state.delay = Math.min(d.delays.length - 1, Math.max(0, delay));
    show();
  };
  const choose = (name) => {
    state.detector = data.detectors.find((each) => each.name === name);
    const d = state.detector;
    across.max = d.lanes.length - 1;
    along.max = d.delays.length - 1;
    for (const view of document.querySelectorAll(".views")) view.hidden = view.dataset.detector !== name;
    move(...d.chosen);
  };

  pick.addEventListener("change", () => choose(pick.value));
  across.addEventListener("input", () => move(Number(across.value), state.delay));
  along.addEventListener("input", () => move(state.lane, Number(along.value)));
  for (const button of document.querySelectorAll("[data-preset]")) {
    button.addEventListener("click", () => {
      const d = state.detector, [lane, delay] = d.chosen;
      const last = [d.lanes.length - 1, d.delays.length - 1];
      move(...{
        chosen: [lane, delay], keen: [0, delay], dull: [last[0], delay], hasty: [lane, d.shortDelay], slow: [lane, last[1]],
      }[button.dataset.preset]);
    });
  }
  const nearest = (axis, value) => {
    let best = 0;
    axis.forEach((v, k) => { if (Math.abs(v - value) < Math.abs(axis[best] - value)) best = k; });
    return best;
  };
  for (const pad of document.querySelectorAll(".pad")) {
    const svg = pad.querySelector("svg");
    const follow = (event) => {
      const d = state.detector, frame = d.frames.plane;
      const box = svg.getBoundingClientRect(), view = svg.viewBox.baseVal;
      const x = ((event.clientX - box.left) / box.width) * view.width;
      const y = ((event.clientY - box.top) / box.height) * view.height;
      const sx = (x - frame.box[0]) / frame.box[2], sy = 1 - (y - frame.box[1]) / frame.box[3];
      if (sx < 0 || sx > 1 || sy < 0 || sy > 1) return;
      move(
        nearest(d.position, frame.x[0] + sx * (frame.x[1] - frame.x[0])),
        nearest(d.logDelay, frame.y[0] + sy * (frame.y[1] - frame.y[0])),
      );
    };
    svg.addEventListener("click", follow);
    svg.addEventListener("pointermove", (event) => {
      // a finger that moves scrolls the page; a mouse with its button down drags the setting
      if (event.pointerType === "mouse" && event.buttons & 1) follow(event);
    });
    pad.addEventListener("keydown", (event) => {
      const far = event.shiftKey ? 8 : 1;
      const step = { ArrowLeft: [-far, 0], ArrowRight: [far, 0], ArrowUp: [0, far], ArrowDown: [0, -far] }[event.key];
      if (event.key === "Home") move(...state.detector.chosen);
      else if (step) move(state.lane + step[0], state.delay + step[1]);
      else return;
      event.preventDefault();
    });
  }
  for (const block of document.querySelectorAll(".needs-script")) block.hidden = false;
  choose(pick.value);

  // ---- the bench sheet alone on paper ----
  byId("print-sheet")?.addEventListener("click", () => {
    document.body.classList.add("sheet-only");
    window.print();
    document.body.classList.remove("sheet-only");
  });

  // ---- the moments ----
  const filters = [...document.querySelectorAll("[data-filter]")];
  const moments = [...document.querySelectorAll(".moment")];
  const sift = () => {
    let shown = 0;
    for (const moment of moments) {
      moment.hidden = filters.some((f) => f.value && moment.dataset[f.dataset.filter] !== f.value);
      if (!moment.hidden) shown += 1;
      else moment.querySelector("audio")?.pause();
    }
    byId("m-count").textContent = `${shown} of ${moments.length} shown`;
  };
  for (const filter of filters) filter.addEventListener("change", sift);
  if (filters.length) sift();
})();
