"use strict";
// The page is written anew all the time: load it again every two seconds, unless a reader holds it or is at work in it.
(() => {
  const button = document.getElementById("hold");
  let held = false;
  button.hidden = false;
  button.addEventListener("click", () => {
    held = !held;
    button.textContent = held ? "Go on" : "Hold still";
    if (!held) location.reload();
  });
  setInterval(() => {
    const idle = document.activeElement === document.body && getSelection().isCollapsed && !document.querySelector(".u-over:hover");
    if (!held && idle && !document.hidden) location.reload();
  }, 2000);
})();
