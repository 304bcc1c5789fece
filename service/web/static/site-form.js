// Lets the horizon line be drawn with a finger or a mouse; what is drawn stands in the text field.
"use strict";
(() => {
  const field = document.querySelector("[data-horizon]");
  const text = document.getElementById("horizon");
  if (!field || !text) return;
  const STEP = 10, TOP = 45, WIDTH = 360, HEIGHT = 90;
  const NS = "http://www.w3.org/2000/svg";
  const make = (name, attributes) => {
    const element = document.createElementNS(NS, name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    return element;
  };
  const read = () => {
    const line = new Map();
    for (const row of text.value.split("\n")) {
      const [azimuth, altitude] = row.split(/[,;\s]+/).map(Number);
      if (Number.isFinite(azimuth) && Number.isFinite(altitude)) line.set(((azimuth % 360) + 360) % 360, altitude);
    }
    return line;
  };
  const write = (line) => {
    const rows = [...line].sort((a, b) => a[0] - b[0]);
    text.value = rows.map(([azimuth, altitude]) => `${azimuth},${altitude}`).join("\n");
  };
  const y = (altitude) => HEIGHT - (HEIGHT * Math.max(0, altitude)) / TOP;
  const picture = make("svg", {
    class: "drawn-horizon", viewBox: `0 0 ${WIDTH} ${HEIGHT + 16}`, role: "img",
    "aria-label": "The horizon line, north to north. Draw on it, or type in the field above.",
  });
  const land = make("path", { class: "land" });
  picture.append(make("rect", { class: "air", width: WIDTH, height: HEIGHT }), land);
  [["N", 0], ["E", 90], ["S", 180], ["W", 270], ["N", 360]].forEach(([word, azimuth]) => {
    const label = make("text", {
      x: azimuth, y: HEIGHT + 13, "text-anchor": azimuth === 0 ? "start" : azimuth === 360 ? "end" : "middle",
    });
    label.textContent = word;
    picture.append(label);
  });
  const show = () => {
    const rows = [...read()].sort((a, b) => a[0] - b[0]);
    if (!rows.length) return land.setAttribute("d", "");
    const around = [[rows.at(-1)[0] - 360, rows.at(-1)[1]], ...rows, [rows[0][0] + 360, rows[0][1]]];
    const edge = around.map(([azimuth, altitude]) => `${azimuth} ${y(altitude).toFixed(1)}`);
    land.setAttribute("d", `M${around[0][0]} ${HEIGHT}L${edge.join("L")}L${around.at(-1)[0]} ${HEIGHT}Z`);
  };
  let drawing = false;
  const draw = (event) => {
    const box = picture.getBoundingClientRect();
    const azimuth = (Math.round(((event.clientX - box.left) / box.width) * 360 / STEP) * STEP) % 360;
    const share = 1 - ((event.clientY - box.top) / box.height) * (HEIGHT + 16) / HEIGHT;
    const line = read();
    if (!line.size) for (let each = 0; each < 360; each += STEP) line.set(each, 0);
    line.set(azimuth, Math.min(TOP, Math.max(0, Math.round(share * TOP))));
    write(line);
    show();
  };
  picture.addEventListener("pointerdown", (event) => {
    event.preventDefault();
    drawing = true;
    picture.setPointerCapture(event.pointerId);
    draw(event);
  });
  picture.addEventListener("pointermove", (event) => drawing && draw(event));
  picture.addEventListener("pointerup", () => { drawing = false; });
  text.addEventListener("input", show);
  text.after(picture);
  show();
})();
