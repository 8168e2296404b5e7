"""What a report looks like on a screen, on paper and on a phone, and the little that moves in it."""

PAGE_STYLE = """
:root{color-scheme:light dark;--paper:#fdfcfa;--ink:#23262b;--soft:#5f636a;--line:#dedbd3;--band:#f5f3ee;
--good:#00664a;--wrong:#a30f1a;--accent:#005f96}
@media (prefers-color-scheme:dark){:root{--paper:#17191c;--ink:#e8e6e1;--soft:#a5a8ad;--line:#33373c;--band:#1e2125;
--good:#3fc79c;--wrong:#ff8a8a;--accent:#7cc4ef}}
*{box-sizing:border-box}
body{margin:0;background:var(--paper);color:var(--ink);font:16px/1.5 system-ui,sans-serif}
main{max-width:1180px;margin:0 auto;padding:24px 20px 64px}
h1,h2{font-size:28px;line-height:1.2;margin:0}
h3{font-size:18px;margin:36px 0 10px;padding-top:14px;border-top:1px solid var(--line)}
h4{font-size:15px;margin:16px 0 6px}
p{margin:6px 0;max-width:84ch}
article{margin-bottom:72px}
article+article{border-top:3px solid var(--line);padding-top:32px}
a{color:var(--accent)}
nav ol{padding-left:1.6em}
nav li{margin:4px 0}
.verdict{font-size:18px;font-weight:600;margin:8px 0}
.good{color:var(--good)}.wrong{color:var(--wrong)}.muted{color:var(--soft)}
.assumes{color:var(--soft);padding-left:1.2em;margin:6px 0}
.assumes li{max-width:90ch}
.wide{overflow-x:auto;max-width:100%}
table{border-collapse:collapse;font-size:14px;font-variant-numeric:tabular-nums}
th{text-align:left;font-weight:600;color:var(--soft)}
th,td{padding:5px 18px 5px 0;border-bottom:1px solid var(--line);vertical-align:top}
.number{text-align:right}
.drawing{overflow-x:auto;border:1px solid var(--line);border-radius:8px;margin:10px 0}
.drawing svg{display:block;width:100%;height:auto;min-width:1000px}
.charts{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(100%,460px),1fr));gap:14px}
.charts>*{min-width:0}
.charts .drawing{margin:0}
.charts .drawing svg{min-width:440px}
.attempts .drawing svg{min-width:580px;max-width:760px}
.motion{display:grid;grid-template-columns:minmax(0,3fr) minmax(220px,2fr);gap:20px;align-items:start}
.motion .drawing{margin:0}
.motion .drawing svg{min-width:0;max-height:70vh}
.steer{display:flex;gap:12px;align-items:center;margin-bottom:12px}
.steer input{flex:1;min-width:0;accent-color:var(--accent)}
button{font:inherit;color:inherit;background:var(--band);border:1px solid var(--line);border-radius:6px;
padding:4px 14px}
button:focus-visible,input:focus-visible,summary:focus-visible{outline:3px solid var(--accent);outline-offset:2px}
.readout{display:grid;grid-template-columns:max-content 1fr;gap:2px 16px;margin:0;font-variant-numeric:tabular-nums}
.readout dt{color:var(--soft)}.readout dd{margin:0}
.finding{border-left:4px solid var(--line);padding:2px 0 2px 12px;margin:12px 0}
.finding.error,.finding.undecided{border-color:var(--wrong)}
.finding code{font-size:13px;color:var(--soft);overflow-wrap:anywhere}
.finding .hint{color:var(--soft)}
details{margin:10px 0}
summary{cursor:pointer;font-weight:600}
svg .moving{will-change:transform}
svg .now{stroke:var(--ink);stroke-width:1.2;stroke-dasharray:2 3}
svg .ordered{fill:none;stroke:#d55e00;stroke-width:1.6;stroke-dasharray:6 3}
svg .measured{fill:none;stroke:#0072b2;stroke-width:1.8;stroke-linejoin:round}
svg .limit{stroke:#c1121f;stroke-width:1.4}
svg .stick{stroke:#009e73;stroke-width:5;stroke-linecap:round}
@media (prefers-color-scheme:dark){svg .measured{stroke:#56b4e9}svg .limit{stroke:#ff6b6b}svg .ordered{stroke:#f0a068}}
.card{display:none}
@media (max-width:760px){main{padding:16px 12px 48px}h1,h2{font-size:23px}.motion{grid-template-columns:minmax(0,1fr)}
th,td{padding-right:12px}}
@page{size:A4 landscape;margin:9mm}
@media print{.screen{display:none}body{background:#fff;font-size:12px}
.card{display:block;break-after:page;break-inside:avoid;height:190mm;overflow:hidden}
.card:last-of-type{break-after:auto}
.card h1{font-size:22px}
.card .drawing{border:0;margin:4px 0}
.card .drawing svg{min-width:0;max-height:88mm;width:100%}
.card .columns{display:grid;grid-template-columns:repeat(3,1fr);gap:16px}
.card h4{margin:6px 0 2px}
.card table{font-size:11px}.card th,.card td{padding:2px 12px 2px 0}
.card p,.card li{font-size:11px;margin:2px 0}}
"""
"""Style sheet of the page; pictures have theirs besides."""

MOTION_SCRIPT = """
"use strict";
for (const view of document.querySelectorAll("[data-motion]")) {
  const motion = JSON.parse(document.getElementById(view.dataset.motion).textContent);
  const slider = view.querySelector("input"), button = view.querySelector("button");
  const parts = motion.parts.map((part) => document.getElementById(part.id));
  const readouts = [...view.querySelectorAll("[data-readout]")];
  const chapter = view.closest("article");
  const lines = chapter ? [...chapter.querySelectorAll("line.now")] : [];
  const last = motion.times.length - 1;
  const show = (frame) => {
    const time = motion.times[frame];
    motion.parts.forEach((part, index) => {
      const node = parts[index], at = part.at;
      if (part.ends) {
        ["x1", "y1", "x2", "y2"].forEach((name, place) => node.setAttribute(name, at[4 * frame + place] / 10));
      } else if (at) {
        const [x, y, turn] = [at[3 * frame] / 10, at[3 * frame + 1] / 10, at[3 * frame + 2] / 100];
        node.setAttribute("transform", `translate(${x} ${y}) rotate(${turn})`);
      }
      if (part.there) node.style.visibility = part.there[frame] === "1" ? "visible" : "hidden";
    });
    const active = motion.steps.filter((step) => step[1] <= time && time < step[2]).map((step) => step[0]);
    const words = [time.toFixed(2) + " s", active.join(", ") || "none", ...motion.values.map((row) => row[frame])];
    readouts.forEach((node, index) => { node.textContent = words[index]; });
    slider.setAttribute("aria-valuetext", words[0] + ", active: " + words[1]);
    for (const line of lines) {
      const [left, right, end] = line.dataset.span.split(" ").map(Number);
      const x = left + (right - left) * Math.min(Math.max(time / end, 0), 1);
      line.setAttribute("x1", x);
      line.setAttribute("x2", x);
    }
  };
  let playing = 0;
  const stop = () => { cancelAnimationFrame(playing); playing = 0; button.textContent = "play"; };
  slider.addEventListener("input", () => { stop(); show(Number(slider.value)); });
  button.addEventListener("click", () => {
    if (playing) { stop(); return; }
    if (Number(slider.value) >= last) slider.value = 0;
    button.textContent = "stop";
    const begin = performance.now() - 1000 * motion.times[Number(slider.value)];
    const step = (now) => {
      let frame = Number(slider.value);
      while (frame < last && motion.times[frame + 1] <= (now - begin) / 1000) frame += 1;
      slider.value = frame;
      show(frame);
      if (frame >= last) stop(); else playing = requestAnimationFrame(step);
    };
    playing = requestAnimationFrame(step);
  });
  show(Number(slider.value));
}
"""
"""Moves the machine in a side view to the time of its slider, and the lines that mark that time in the charts."""
