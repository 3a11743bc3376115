(() => {
  "use strict";
  const wipeTo = (figure, percent) =>
    figure.querySelector(".wipe").style.setProperty("--at", percent + "%");

  document.addEventListener("input", ({ target }) => {
    const figure = target.closest("figure");
    if (!figure) return;
    if (target.type === "range") wipeTo(figure, target.value);
    if (target.type === "checkbox") figure.classList.toggle("hide-" + target.value, !target.checked);
    if (target.type === "radio") figure.dataset.backdrop = target.value;
  });

  for (const wipe of document.querySelectorAll(".wipe")) {
    const slider = wipe.closest("figure").querySelector("input[type=range]");
    const follow = (event) => {
      if (event.buttons !== 1) return;
      const box = wipe.getBoundingClientRect();
      slider.value = (100 * (event.clientX - box.left)) / box.width;
      wipeTo(wipe.closest("figure"), slider.value);
    };
    wipe.addEventListener("pointerdown", follow);
    wipe.addEventListener("pointermove", follow);
  }
})();
