"use strict";
// On a narrow screen sections are folded under their headings; what is printed is always whole.
{
  const narrow = matchMedia("(max-width: 700px)");
  const folds = [];
  const fold = () => {
    for (const section of document.querySelectorAll("main > section:not(.explore)")) {
      const head = section.querySelector(":scope > h2");
      if (head === null || section.dataset.open !== undefined) continue;
      const details = document.createElement("details"), summary = document.createElement("summary");
      details.className = "fold";
      details.append(summary, ...section.childNodes);
      summary.append(head);
      section.append(details);
      folds.push(details);
    }
  };
  const suit = () => {
    if (narrow.matches && folds.length === 0) fold();
    for (const details of folds) details.open = !narrow.matches;
  };
  suit();
  narrow.addEventListener("change", suit);
  const were = new Map();
  addEventListener("beforeprint", () => {
    for (const details of document.querySelectorAll("details:not(.record)")) {
      were.set(details, details.open);
      details.open = true;
    }
  });
  addEventListener("afterprint", () => were.forEach((open, details) => { details.open = open; }));
}
