// What is picked, and the numbers, curves and tables that follow from it. All numbers are the store's.
let data; // what rank wrote down, once it is unpacked
let state;
const byId = (id) => document.getElementById(id);
const cellOf = (ground, f) => data.cells.find((cell) => cell.ground === ground && cell.f_number === f);
const here = () => cellOf(state.ground, state.f);
const entry = () => here().methods[state.method];
const numberOf = (method) => data.methods.indexOf(method);

function radio(fieldset, name, value, text, extra) {
  const label = document.createElement("label");
  const input = document.createElement("input");
  Object.assign(input, { type: "radio", name, value });
  input.checked = String(state[name]) === String(value);
  label.append(input, ...(extra ? [extra] : []), text);
  fieldset.append(label);
  input.addEventListener("change", () => {
    state[name] = name === "f" ? Number(value) : value;
    toChosen();
    show();
  });
}

function stroke(number) {
  const sample = el("svg", { class: "stroke", viewBox: "0 0 36 12", "aria-hidden": "true" });
  sample.append(el("line", { x1: 1, x2: 35, y1: 6, y2: 6, style: styleOf(number) + "stroke-width:3" }));
  return sample;
}

function nearest(values, wanted) {
  let best = 0;
  for (let i = 1; i < values.length; i += 1) if (Math.abs(values[i] - wanted) < Math.abs(values[best] - wanted)) best = i;
  return best;
}

function chosenIndex(one) {
  return one.chosen === null ? -1 : nearest(one.threshold, one.chosen);
}

function toChosen() {
  state.index = Math.max(0, chosenIndex(entry()));
}

// The most lenient threshold whose rate keeps to a limit; the strictest where none does.
function last(values, keeps) {
  for (let i = values.length - 1; i >= 0; i -= 1) if (values[i] !== null && keeps(values[i])) return i;
  return 0;
}

const fixed = (value, digits) => (value === null ? "–" : value.toFixed(digits));
const share = (value) => (value === null ? "–" : `${(100 * value).toFixed(1)} %`);
const range = (low, high, say) => (low === null || high === null ? "" : `[${say(low)}–${say(high)}]`);
const inPercent = (value) => (100 * value).toFixed(0);
const score = (value) => String(Number(value.toPrecision(4))).replace("-", "−");

function figures() {
  const [cell, one, i] = [here(), entry(), state.index];
  const none = one.threshold.length === 0;
  byId("threshold").max = Math.max(0, one.threshold.length - 1);
  byId("threshold").disabled = none;
  byId("threshold").value = one.threshold.length - 1 - i;
  byId("score").textContent = none ? "– (it proposes nothing here)" : score(one.threshold[i]);
  byId("recall").textContent = none ? share(0) : share(one.recall[i]);
  byId("precision").textContent = none ? "–" : share(one.precision[i]);
  byId("false").textContent = none ? fixed(0, 2) : fixed(one.false_alarms_per_frame[i], 2);
  byId("recall-range").textContent = none ? "" : range(one.recall_low[i], one.recall_high[i], inPercent);
  byId("precision-range").textContent = none ? "" : range(one.precision_low[i], one.precision_high[i], inPercent);
  byId("false-range").textContent = none ? "" : range(one.false_alarms_per_frame_low[i], one.false_alarms_per_frame_high[i], (v) => v.toFixed(2));
  const frames = Math.max(0, Number(byId("roll").value)) || 0;
  const hits = none ? 0 : one.hits[i];
  const alarms = none ? 0 : one.false_alarms[i];
  const whole = (value) => Math.round((frames * value) / cell.frames).toLocaleString("en");
  byId("missed").textContent = whole(cell.shadows - hits);
  byId("of-shadows").textContent = whole(cell.shadows);
  byId("needless").textContent = whole(alarms);
  byId("frames-here").textContent = cell.frames;
  const told = `score above ${byId("score").textContent}: recall ${byId("recall").textContent}, precision ${byId("precision").textContent}, ${byId("false").textContent} false alarms a frame`;
  byId("threshold").setAttribute("aria-valuetext", told);
  say(`${state.method} on ${state.ground} at f/${state.f}, ${told}; in the roll ${byId("missed").textContent} missed, ${byId("needless").textContent} needless repairs`);
  byId("to-chosen").disabled = chosenIndex(one) < 0;
  const trusted = one.trusted ? "The chosen threshold may be trusted here." : `Do not trust ${state.method} here at its chosen threshold: ${one.reason}.`;
  byId("verdict").textContent = trusted;
  byId("verdict").className = one.trusted ? "yes" : "no";
}

let pending = 0;
function say(text) {
  clearTimeout(pending);
  pending = setTimeout(() => { byId("status").textContent = text; }, 400);
}

function curves(id, x, y, of) {
  const svg = byId(id);
  const scales = axes(svg, x, y);
  const cell = here();
  const ideal = of(cell.methods.ideal);
  idealLine(svg, scales, ideal.x, ideal.y);
  const order = data.methods.filter((name) => name !== state.method).concat([state.method]);
  for (const name of order) {
    const one = of(cell.methods[name]);
    if (name === state.method && one.low) band(svg, scales, one.x, one.low, one.high, numberOf(name));
    line(svg, scales, one.x, one.y, numberOf(name), name === state.method, name);
  }
  const mine = of(entry());
  const chosen = chosenIndex(entry());
  if (chosen >= 0 && mine.mark) chosenMark(svg, scales, mine.x[chosen], mine.y[chosen]);
  if (mine.mark) hereMark(svg, scales, mine.x[state.index] ?? null, mine.y[state.index] ?? null);
}

function charts() {
  curves("froc", { ...RATE, title: "false alarms a frame" }, { ...SHARE, title: "recall" }, (one) => ({
    x: one.false_alarms_per_frame, y: one.recall, low: one.recall_low, high: one.recall_high, mark: true,
  }));
  curves("pr", { ...SHARE, title: "recall" }, { ...SHARE, title: "precision" }, (one) => ({
    x: one.recall, y: one.precision, low: one.precision_low, high: one.precision_high, mark: true,
  }));
  const least = Math.log2(data.cost_ratios[0]);
  const most = Math.log2(data.cost_ratios[data.cost_ratios.length - 1]);
  const ratio = { place: (v) => (Math.log2(v) - least) / (most - least), ticks: [0.0625, 0.25, 1, 4, 16, 64, 256],
    say: (v) => (v < 1 ? `1/${Math.round(1 / v)}` : String(v)), title: "needless repairs that a missed shadow is worth" };
  curves("costs", ratio, { ...SHARE, title: "cost" }, (one) => ({ x: data.cost_ratios, y: one.cost.map((v) => (v === null ? null : Math.min(v, 1))) }));
}

function limits() {
  const svg = byId("limits");
  const all = data.f_numbers.map((f) => ({ f, limit: cellOf(state.ground, f).methods[state.method].limit }));
  const sizes = all.flatMap(({ limit }) => limit.size_um || limit.groups.map((group) => group[0]));
  const [small, large] = sizes.length ? [Math.min(...sizes), Math.max(...sizes)] : [10, 100];
  const ticks = [1, 2, 5, 10, 20, 30, 50, 100, 200, 500, 1000].filter((tick) => tick >= small && tick <= large);
  const spread = Math.log(large / small) || 1;
  const scales = axes(svg, { place: (v) => Math.log(v / small) / spread, ticks, say: String, title: "grain diameter in µm" }, { ...SHARE, ticks: [0, 0.5, 0.9, 1], title: "share found" });
  all.forEach(({ f, limit }, number) => {
    if (!limit.size_um) return;
    if (f === state.f) band(svg, scales, limit.size_um, limit.low, limit.high, number);
    line(svg, scales, limit.size_um, limit.found, number, f === state.f, `f/${f}`);
  });
  byId("limit-key").replaceChildren(...all.map(({ f, limit }, number) => {
    const item = document.createElement("span");
    item.className = f === state.f ? "on" : "";
    item.append(stroke(number), limit.size_um ? `f/${f}` : `f/${f}: ${limit.status}`);
    return item;
  }));
  const own = all.find(({ f }) => f === state.f);
  for (const [size, found, grains] of own.limit.groups) {
    svg.append(el("circle", { class: "dot", style: `stroke:var(--m${all.indexOf(own) % 9})`, cx: scales.across(size), cy: scales.up(found / grains), r: 4 }));
  }
  byId("limit-note").textContent = limitNote(own.limit, large);
}

function limitNote(limit, largest) {
  const where = `${state.method}, ${state.ground}, f/${state.f}: `;
  const notes = limit.note ? ` (${limit.note})` : "";
  if (limit.status !== "fitted") return `${where}${limit.status}${notes}.`;
  if (limit.a90_um === null || limit.a90_um > largest) return `${where}no size here is found nine times in ten${notes}.`;
  const sure = limit.a90_95_um === null || limit.a90_95_um > largest ? "no size with 95 % confidence" : `95 % confident: ${limit.a90_95_um.toFixed(0)} µm`;
  return `${where}grains of ${limit.a90_um.toFixed(0)} µm and larger are found nine times in ten (${sure})${notes}.`;
}

function kinds() {
  const cell = here();
  const table = byId("kinds");
  table.caption.firstChild.textContent = `${state.ground}, f/${state.f}: ${cell.shadows} visible shadows on ${cell.frames} frames`;
  const body = table.tBodies[0];
  body.replaceChildren();
  for (const name of data.methods) {
    const one = cell.methods[name].errors;
    const row = body.insertRow();
    const head = document.createElement("th");
    head.scope = "row";
    head.textContent = name;
    row.append(head);
    const cells = [fixed(one.f1, 3), String(one.matched)];
    for (const kind of ["merged", "offset", "duplicate", "background", "missed"]) cells.push(`${one.kinds[kind].count}`);
    cells.forEach((text, place) => {
      const item = row.insertCell();
      item.textContent = text;
      if (place < 2) return;
      const gain = Object.values(one.kinds)[place - 2].gain;
      const small = document.createElement("small");
      small.textContent = gain ? ` +${gain.toFixed(3)}` : "";
      item.append(small);
    });
  }
}

function moved() {
  figures();
  charts();
  gallery();
}

function show() {
  moved();
  limits();
  kinds();
}

async function unpacked() {
  const packed = Uint8Array.from(atob(byId("data").textContent), (letter) => letter.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
  return JSON.parse(await new Response(stream).text());
}

async function start() {
  data = await unpacked();
  // Opens where the best method may be trusted, if anywhere.
  const first = data.cells.find((cell) => cell.methods[data.best].trusted) || data.cells[0];
  state = { ground: first.ground, f: first.f_number, method: data.best, index: 0 };
  for (const ground of data.grounds) radio(byId("pick-ground"), "ground", ground, ground);
  for (const f of data.f_numbers) radio(byId("pick-f"), "f", f, `f/${f}`);
  for (const method of data.methods) radio(byId("pick-method"), "method", method, method, stroke(numberOf(method)));
  byId("threshold").addEventListener("input", (event) => {
    state.index = entry().threshold.length - 1 - Number(event.target.value);
    moved();
  });
  byId("roll").addEventListener("input", figures);
  byId("to-chosen").addEventListener("click", () => { toChosen(); moved(); });
  byId("to-one").addEventListener("click", () => { state.index = last(entry().false_alarms_per_frame, (v) => v <= 1); moved(); });
  byId("to-even").addEventListener("click", () => { state.index = last(entry().precision, (v) => v >= 0.5); moved(); });
  for (const id of ["raise", "outline"]) byId(id).addEventListener("change", gallery);
  byId("interactive").hidden = false;
  toChosen();
  show();
}
