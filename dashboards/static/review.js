// The progress of a run, asked for until it is over. Without script the page reloads itself instead.
"use strict";
const run = document.getElementById("run");
if (run && run.dataset.over === "no") {
  const bar = run.querySelector("progress");
  const ask = async () => {
    try {
      const answer = await fetch(run.dataset.state, { headers: { Accept: "application/json" } });
      const told = await answer.json();
      run.querySelector(".step").textContent = told.step;
      if (told.total > 0) { bar.max = told.total; bar.value = told.done; } else bar.removeAttribute("value");
      if (told.over) { location.reload(); return; }
    } catch (error) { run.querySelector(".step").textContent = "the server does not answer; asking again"; }
    setTimeout(ask, 1000);
  };
  setTimeout(ask, 500);
}
