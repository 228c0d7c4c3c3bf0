// Crops of the picked cell, sorted into missed, found and false alarms by the threshold.

const EDGE = 1.5; // of a tile, left out: there it may hold a trace of its neighbour

function markers(crop, found) {
  const whole = data.tile - 2 * EDGE;
  const svg = el("svg", { viewBox: `${EDGE} ${EDGE} ${whole} ${whole}`, "aria-hidden": "true" });
  const twice = (name, attributes, kind) => {
    svg.append(el(name, { ...attributes, class: `halo ${kind === "thin" || kind === "dotted" ? "thin" : ""}` }));
    svg.append(el(name, { ...attributes, class: `mark ${kind}` }));
  };
  for (const [x, y, radius, kind] of crop.rings) {
    const style = kind === 2 ? (found ? "" : "dashed") : kind === 1 ? "thin" : "dotted";
    twice("circle", { cx: x, cy: y, r: Math.max(radius, 3) }, style);
  }
  if (crop.alarm) {
    const [c, near] = [data.tile / 2, crop.alarm];
    const far = Math.min(near + 8, data.tile / 2);
    twice("path", { d: `M${c} ${c - near}V${c - far}M${c} ${c + near}V${c + far}M${c - near} ${c}H${c - far}M${c + near} ${c}H${c + far}` }, "");
  }
  return svg;
}

function words(crop, value) {
  const scored = value === undefined ? "not proposed" : `score ${score(value)}`;
  return crop.visibility === undefined ? [scored] : [`${crop.diameter_um.toFixed(0)} µm, ${crop.visibility.toFixed(1)} × visible`, scored];
}

function figure(sheet, crop, number, kind) {
  const item = document.createElement("li");
  const box = document.createElement("div");
  const value = crop.scores[state.method];
  const rows = Math.max(1, Math.ceil(sheet.count / sheet.columns));
  const [column, row] = [number % sheet.columns, Math.floor(number / sheet.columns)];
  const place = (index, count) => (100 * (index * data.tile + EDGE)) / ((count - 1) * data.tile + 2 * EDGE);
  const scale = (count) => (100 * count * data.tile) / (data.tile - 2 * EDGE);
  box.className = "crop";
  box.style.backgroundSize = `${scale(sheet.columns)}% ${scale(rows)}%`;
  box.style.backgroundPosition = `${place(column, sheet.columns)}% ${place(row, rows)}%`;
  box.setAttribute("role", "img");
  const told = { misses: "Missed shadow", hits: "Found shadow", alarms: "False alarm" }[kind];
  box.setAttribute("aria-label", `${told} in frame ${crop.frame}: ${words(crop, value).join(", ")}`);
  box.append(markers(crop, kind === "hits"));
  const caption = document.createElement("p");
  for (const line of words(crop, value)) caption.append(line, document.createElement("br"));
  caption.setAttribute("aria-hidden", "true");
  item.append(box, caption);
  return item;
}

let drawn = "";
let hung = "";
function gallery() {
  const sheet = data.gallery.find((one) => one.ground === state.ground && one.f_number === state.f);
  const limit = entry().threshold[state.index] ?? Infinity;
  const groups = { misses: [], hits: [], alarms: [] };
  sheet.crops.forEach((crop, number) => {
    const value = crop.scores[state.method];
    const taken = value !== undefined && value > limit;
    if (crop.visibility === undefined) { if (taken) groups.alarms.push([-value, number]); }
    else if (taken) groups.hits.push([crop.visibility, number]);
    else groups.misses.push([-crop.visibility, number]);
  });
  byId("gallery").classList.toggle("no-outline", !byId("outline").checked);
  const shown = byId("raise").checked ? sheet.raised : sheet.plain;
  const picture = `url("data:image/webp;base64,${shown}")`;
  if (picture !== hung) byId("gallery").style.setProperty("--sheet", picture);
  hung = picture;
  const key = JSON.stringify([state.ground, state.f, state.method, groups]);
  if (key === drawn) return;
  drawn = key;
  for (const [kind, found] of Object.entries(groups)) {
    found.sort((a, b) => a[0] - b[0]);
    const items = found.map(([, number]) => figure(sheet, sheet.crops[number], number, kind));
    if (!items.length) {
      const none = document.createElement("li");
      none.className = "none";
      none.textContent = "none among the crops kept";
      items.push(none);
    }
    byId(kind).replaceChildren(...items);
    byId(`${kind}-count`).textContent = `(${found.length})`;
  }
  byId("gallery-note").textContent = `Crops of ${sheet.rendered} of the cell's ${sheet.frames} frames, among them those with the most visible misses and the strongest false alarms of ${data.best}; of each method the strongest few false alarms on these frames. × visible: how many times the least contrast that an observer sees.`;
}

addEventListener("beforeprint", () => { for (const one of document.querySelectorAll("details")) one.open = true; });
start();
