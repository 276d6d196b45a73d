"use strict";
// Draws the night's series with their intervals over the pictures that are there without it.
(async () => {
  if (!window.Dygraph) return;
  const answer = await fetch(document.body.dataset.series, { credentials: "same-origin" });
  if (!answer.ok) return;
  const night = await answer.json();
  // Its legend writes style attributes, which the page's policy forbids; ours is a line of text.
  Dygraph.PLUGINS = Dygraph.PLUGINS.filter((plugin) => plugin !== Dygraph.Plugins.Legend);
  const style = getComputedStyle(document.documentElement);
  const colour = (name) => style.getPropertyValue(name).trim();
  const time = new Intl.DateTimeFormat("en-GB", { hour: "2-digit", minute: "2-digit", timeZone: night.zone });
  const clock = (ms) => time.format(new Date(ms));
  for (const chart of night.charts) {
    const box = document.getElementById(`chart-${chart.name}`);
    if (!box) continue;
    const reads = document.getElementById(`reads-${chart.name}`);
    box.hidden = reads.hidden = false;
    reads.textContent = `${chart.title}. Touch the line to read it; drag over a time to look closer, tap twice to go back.`;
    box.classList.add("on");
    const under = (canvas, area, graph) => {
      canvas.save();
      if (chart.limits) {
        const [low, high] = chart.limits.map((v) => graph.toDomYCoord(v));
        canvas.fillStyle = colour("--water");
        const top = Math.max(area.y, high), bottom = Math.min(area.y + area.h, low);
        if (bottom > top) canvas.fillRect(area.x, top, area.w, bottom - top);
      }
      for (const mark of night.marks) {
        const x = graph.toDomXCoord(mark.at);
        if (x < area.x || x > area.x + area.w) continue;
        canvas.strokeStyle = colour(mark.kind === "alarm" ? "--high" : "--low");
        canvas.setLineDash(mark.kind === "alarm" ? [] : [3, 4]);
        canvas.lineWidth = 2;
        canvas.beginPath();
        canvas.moveTo(x, area.y);
        canvas.lineTo(x, area.y + area.h);
        canvas.stroke();
      }
      canvas.restore();
    };
    const rows = chart.rows.map(([at, bar]) => [new Date(at), bar]);
    const values = chart.rows.flatMap(([, bar]) => bar || []).concat(chart.limits || []);
    const low = Math.min(...values), high = Math.max(...values), room = (high - low || 1) * 0.06;
    new Dygraph(box, rows, {
      labels: ["time", chart.title],
      customBars: true,
      colors: [colour("--deep")],
      strokeWidth: 2,
      fillAlpha: 0.25,
      dateWindow: [night.start, night.end],
      valueRange: [low - room, high + room],
      underlayCallback: under,
      gridLineColor: colour("--rule"),
      axisLineColor: colour("--rule"),
      highlightCallback: (event, ms, points) => {
        const bar = chart.rows.find(([at]) => at === ms)?.[1];
        if (bar) reads.textContent = `${clock(ms)}: ${points[0].yval.toFixed(1)} (${bar[0].toFixed(1)} to ${bar[2].toFixed(1)})`;
      },
      axes: {
        x: { axisLabelFormatter: (at) => clock(at), valueFormatter: (ms) => clock(ms), pixelsPerLabel: 60, drawGrid: false },
        y: { axisLabelWidth: 40, valueFormatter: (v) => v.toFixed(1), axisLabelFormatter: (v) => v.toFixed(1) },
      },
    });
  }
})();
