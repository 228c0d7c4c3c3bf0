"use strict";
// Charts as SVG: nothing but elements, so that they scale, print and follow the page's colours.
const SVG = "http://www.w3.org/2000/svg";
const DASHES = ["", "7 3", "7 3 1.5 3", "2 2.5"];

function el(name, attributes, ...children) {
  const node = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes || {})) node.setAttribute(key, value);
  for (const child of children) node.append(child);
  return node;
}

function styleOf(number) {
  const dash = DASHES[(number + Math.floor(number / 9)) % DASHES.length];
  return `stroke:var(--m${number % 9});${dash ? `stroke-dasharray:${dash};` : ""}`;
}

const BOX = { width: 460, height: 310, left: 66, right: 24, top: 10, bottom: 42 };

// Axes with ticks; returns the two scales from values to places.
function axes(svg, x, y) {
  svg.setAttribute("viewBox", `0 0 ${BOX.width} ${BOX.height}`);
  svg.replaceChildren();
  const across = (value) => BOX.left + x.place(value) * (BOX.width - BOX.left - BOX.right);
  const up = (value) => BOX.height - BOX.bottom - y.place(value) * (BOX.height - BOX.top - BOX.bottom);
  for (const tick of x.ticks) {
    svg.append(el("line", { class: "grid", x1: across(tick), x2: across(tick), y1: BOX.top, y2: BOX.height - BOX.bottom }));
    svg.append(el("text", { x: across(tick), y: BOX.height - BOX.bottom + 16, "text-anchor": "middle" }, x.say(tick)));
  }
  for (const tick of y.ticks) {
    svg.append(el("line", { class: "grid", x1: BOX.left, x2: BOX.width - BOX.right, y1: up(tick), y2: up(tick) }));
    svg.append(el("text", { x: BOX.left - 6, y: up(tick) + 4, "text-anchor": "end" }, y.say(tick)));
  }
  svg.append(el("line", { class: "axis", x1: BOX.left, x2: BOX.width - BOX.right, y1: up(0), y2: up(0) }));
  const middle = (BOX.left + BOX.width - BOX.right) / 2;
  svg.append(el("text", { class: "loud", x: middle, y: BOX.height - 4, "text-anchor": "middle" }, x.title));
  const turned = `rotate(-90 12 ${(BOX.top + BOX.height - BOX.bottom) / 2})`;
  svg.append(el("text", { class: "loud", x: 12, y: (BOX.top + BOX.height - BOX.bottom) / 2, "text-anchor": "middle", transform: turned }, y.title));
  return { across, up };
}

function points(scales, xs, ys) {
  const found = [];
  for (let i = 0; i < xs.length; i += 1) {
    if (xs[i] !== null && ys[i] !== null) found.push(`${scales.across(xs[i]).toFixed(1)},${scales.up(ys[i]).toFixed(1)}`);
  }
  return found;
}

function line(svg, scales, xs, ys, number, on, name) {
  const title = el("title", {}, name);
  svg.append(el("polyline", { class: on ? "line on" : "line", style: styleOf(number), points: points(scales, xs, ys).join(" ") }, title));
}

function idealLine(svg, scales, xs, ys) {
  svg.append(el("polyline", { class: "ideal", points: points(scales, xs, ys).join(" ") }));
}

function band(svg, scales, xs, low, high, number) {
  const there = points(scales, xs, low);
  const back = points(scales, xs, high).reverse();
  svg.append(el("polygon", { class: "band", style: `fill:var(--m${number % 9})`, points: there.concat(back).join(" ") }));
}

function hereMark(svg, scales, x, y) {
  if (x !== null && y !== null) svg.append(el("circle", { class: "here", cx: scales.across(x), cy: scales.up(y), r: 10 }));
}

function chosenMark(svg, scales, x, y) {
  if (x === null || y === null) return;
  const [a, b] = [scales.across(x), scales.up(y)];
  svg.append(el("path", { class: "chosen", d: `M${a} ${b - 7}L${a + 6} ${b}L${a} ${b + 7}L${a - 6} ${b}Z` }));
}

const percent = (value) => `${Math.round(100 * value)} %`;
const SHARE = { place: (v) => v, ticks: [0, 0.25, 0.5, 0.75, 1], say: percent };
const RATE = {
  place: (v) => Math.min(1, Math.log1p(8 * v) / Math.log1p(240)),
  ticks: [0, 0.1, 0.3, 1, 3, 10, 30],
  say: (v) => String(v),
};
