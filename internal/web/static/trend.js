// The read-out of a chart: a slider and the pointer move a line over the newest readings, and the one under it is
// read out. Without script they are read in the table.
"use strict";
function readOut() {
  for (const figure of document.querySelectorAll("figure[data-trend]")) {
    const readings = figure.dataset.trend.split("\n").filter(Boolean).map((line) => {
      const [x, ...words] = line.split("|");
      return { x: Number(x), text: words.join(" \u00b7 ") };
    });
    if (readings.length === 0) continue;
    const box = figure.querySelector(".read"), slider = box.querySelector("input"), out = box.querySelector("output");
    const svg = figure.querySelector(".wide-only svg"), cursor = svg.querySelector(".cursor");
    const show = (i) => {
      slider.value = i;
      slider.setAttribute("aria-valuetext", readings[i].text);
      cursor.setAttribute("transform", `translate(${readings[i].x} 0)`);
      cursor.classList.add("on");
      out.textContent = readings[i].text;
    };
    slider.max = readings.length - 1;
    box.hidden = false;
    slider.addEventListener("input", () => show(Number(slider.value)));
    svg.addEventListener("pointermove", (e) => {
      const shown = svg.getBoundingClientRect();
      const at = (e.clientX - shown.left) * svg.viewBox.baseVal.width / shown.width;
      let best = 0;
      for (let i = 1; i < readings.length; i++) if (Math.abs(readings[i].x - at) < Math.abs(readings[best].x - at)) best = i;
      show(best);
    });
    show(readings.length - 1);
  }
}
readOut();
document.addEventListener("fresh", readOut); // the page was shown anew
