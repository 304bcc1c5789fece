// Counts the nights again while wishes are typed.
"use strict";
(() => {
  const form = document.querySelector("form[data-count]");
  const shown = document.getElementById("count"), notes = document.getElementById("notes"), prices = document.getElementById("prices");
  if (!form || !shown || !notes || !prices) return;
  const lines = (texts) => texts.map((line) => Object.assign(document.createElement("p"), { textContent: line }));
  let waiting = 0, asked = 0;
  const count = async () => {
    const mine = ++asked;
    const data = new FormData(form);
    data.delete("email");
    try {
      const answer = await fetch(form.dataset.count, { method: "POST", body: data });
      if (!answer.ok || mine !== asked) return;
      const counted = await answer.json();
      shown.textContent = counted.text;
      notes.replaceChildren(...lines(counted.notes));
      prices.replaceChildren(...lines(counted.prices));
    } catch {
      shown.textContent = "There is no connection just now; the count is the last one.";
    }
  };
  form.addEventListener("input", (event) => {
    if (event.target.name === "email" || event.target.name === "address") return;
    clearTimeout(waiting);
    waiting = setTimeout(count, 500);
  });
})();
