// SPDX-License-Identifier: MIT
// Readout and zoom. Everything that it shows stands in the page's own table; without it the page is whole all the same.
"use strict";
(() => {
  const svg = document.querySelector("svg.chart"), table = document.querySelector("#points");
  if (!svg || !table) return;
  const number = text => text === "" ? NaN : Number(text);
  const heads = [...table.tHead.rows[0].cells].map(cell => cell.textContent);
  const rows = [...table.tBodies[0].rows].map(row => [...row.cells].map(cell => number(cell.dataset.v ?? cell.textContent)));
  const plot = { x: +svg.dataset.x, wide: +svg.dataset.wide, span: +svg.dataset.span };
  const readout = document.querySelector("#readout"), cross = svg.querySelector(".cross");
  let from = 0, to = plot.span, at = -1, drag = null;
  document.documentElement.classList.add("scripted");

  const clock = s => {
    const whole = Math.round(s), two = n => String(n).padStart(2, "0");
    return whole >= 3600 ? `${Math.floor(whole / 3600)}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}`
                         : `${Math.floor(whole / 60)}:${two(whole % 60)}`;
  };
  const x = t => plot.x + plot.wide * (t - from) / (to - from);
  const held = t => Math.min(Math.max(x(t), plot.x), plot.x + plot.wide);

  // Curves keep their heights; only their times are placed anew.
  const curves = [...svg.querySelectorAll("[data-k]")].map(path => {
    const { col, y0, k, points, area } = path.dataset;
    const values = points ? points.split(" ").map(p => p.split(",").map(Number)) : rows.map(row => [row[0], row[+col]]);
    return { path, base: area === undefined ? null : +y0, points: values.map(([t, v]) => [t, +y0 - k * v]) };
  });
  const ticks = svg.querySelector(".ticks");
  const step = span => [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600].find(s => span / s <= 10) ?? 7200;

  const draw = () => {
    for (const { path, points, base } of curves) {
      let d = "", begun = null, last = null;
      const close = () => { if (base !== null && begun !== null) d += `L${last} ${base}L${begun} ${base}Z`; begun = null; };
      for (const [t, y] of points) {
        if (Number.isNaN(y)) { close(); continue; }
        last = x(t).toFixed(1);
        d += (begun === null ? "M" : "L") + last + " " + y.toFixed(1);
        begun ??= last;
      }
      close();
      path.setAttribute("d", d);
    }
    for (const e of svg.querySelectorAll("[data-t]")) {
      const t = +e.dataset.t, inside = t >= from && t <= to, end = e.dataset.t1;
      if (e.tagName === "rect") {
        e.setAttribute("x", held(t).toFixed(1));
        e.setAttribute("width", Math.max(held(+end) - held(t), 0).toFixed(1));
      } else if (e.tagName === "line") {
        e.setAttribute("x1", x(t).toFixed(1)); e.setAttribute("x2", x(t).toFixed(1));
        e.style.visibility = inside ? "" : "hidden";
      } else {
        const left = end === undefined ? x(t) : held(t);
        e.setAttribute("transform", `translate(${left.toFixed(1)} 0)`);
        e.style.visibility = inside || (end !== undefined && +end > from && t < to && t <= from) ? "" : "hidden";
      }
    }
    ticks.replaceChildren();
    const every = step(to - from);
    for (let t = Math.ceil(from / every) * every; t <= to + 1e-6; t += every) {
      const text = document.createElementNS(svg.namespaceURI, "text");
      text.setAttribute("class", "tick mid"); text.setAttribute("x", x(t).toFixed(1)); text.setAttribute("y", ticks.dataset.y);
      text.textContent = clock(t); ticks.append(text);
    }
  };

  const nearest = t => {
    let low = 0, high = rows.length - 1;
    while (high - low > 1) { const middle = (low + high) >> 1; if (rows[middle][0] <= t) low = middle; else high = middle; }
    return t - rows[low][0] < rows[high][0] - t ? low : high;
  };
  const show = index => {
    at = Math.min(Math.max(index, 0), rows.length - 1);
    const row = rows[at], body = document.createElement("table"), title = document.createElement("b");
    title.textContent = clock(row[0]) + "  (" + row[0].toFixed(1) + " s)";
    row.forEach((value, i) => {
      if (i === 0 || Number.isNaN(value)) return;
      const line = body.insertRow(), cut = heads[i].lastIndexOf(", ");
      line.insertCell().textContent = heads[i].slice(0, cut);
      const cell = line.insertCell(); cell.className = "n"; cell.textContent = value + " " + heads[i].slice(cut + 2);
    });
    readout.replaceChildren(title, body);
    const px = x(row[0]), box = svg.getBoundingClientRect(), scale = box.width / svg.viewBox.baseVal.width;
    cross.setAttribute("x1", px); cross.setAttribute("x2", px);
    cross.style.visibility = readout.style.visibility = "visible";
    const left = px * scale > box.width / 2 ? px * scale - readout.offsetWidth - 14 : px * scale + 14;
    readout.style.left = Math.max(left, 0) + "px";
  };
  const hide = () => { at = -1; cross.style.visibility = readout.style.visibility = "hidden"; };
  const time = event => {
    const box = svg.getBoundingClientRect();
    return from + ((event.clientX - box.left) / box.width * svg.viewBox.baseVal.width - plot.x) / plot.wide * (to - from);
  };
  const view = (a, b) => {
    const span = Math.min(Math.max(b - a, 5), plot.span);
    from = Math.min(Math.max(a, 0), plot.span - span); to = from + span;
    draw(); if (at >= 0) show(at);
  };
  const zoom = (around, by) => view(around - (around - from) * by, around + (to - around) * by);

  svg.addEventListener("pointermove", event => {
    if (drag && event.buttons & 1) {
      const moved = (drag.x - event.clientX) / svg.getBoundingClientRect().width * svg.viewBox.baseVal.width / plot.wide * (drag.to - drag.from);
      view(drag.from + moved, drag.to + moved);
      return;
    }
    const t = time(event);
    if (t >= from && t <= to) show(nearest(t)); else hide();
  });
  svg.addEventListener("pointerdown", event => { drag = { x: event.clientX, from, to }; });
  window.addEventListener("pointerup", () => { drag = null; });
  svg.addEventListener("pointerleave", hide);
  svg.addEventListener("wheel", event => { if (event.ctrlKey || event.shiftKey) { event.preventDefault(); zoom(time(event), event.deltaY + event.deltaX > 0 ? 1.25 : 0.8); } }, { passive: false });
  svg.addEventListener("dblclick", event => zoom(time(event), 0.4));
  svg.addEventListener("keydown", event => {
    const middle = at >= 0 ? rows[at][0] : (from + to) / 2, pace = event.shiftKey ? 10 : 1;
    const keys = { ArrowLeft: () => show(at - pace), ArrowRight: () => show(at + pace), "+": () => zoom(middle, 0.6), "-": () => zoom(middle, 1.6),
                   Escape: () => { hide(); view(0, plot.span); } };
    if (keys[event.key]) { event.preventDefault(); keys[event.key](); }
  });
  for (const button of document.querySelectorAll(".tools button"))
    button.addEventListener("click", () => button.dataset.zoom ? zoom((from + to) / 2, +button.dataset.zoom) : view(0, plot.span));
})();
