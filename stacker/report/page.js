"use strict";
for (const sight of document.querySelectorAll(".sight")) {
  const slider = sight.querySelector("input[type=range]");
  if (!slider) continue;
  const show = () => {
    sight.style.setProperty("--split", slider.value + "%");
    slider.setAttribute("aria-valuetext", Math.round(slider.value) + " percent " + sight.querySelector(".tag.left").textContent);
  };
  const follow = event => {
    const box = sight.getBoundingClientRect();
    slider.value = Math.min(100, Math.max(0, 100 * (event.clientX - box.left) / box.width));
    show();
  };
  slider.addEventListener("input", show);
  sight.addEventListener("pointerdown", event => {
    sight.setPointerCapture(event.pointerId);
    slider.focus({ preventScroll: true, focusVisible: false });
    follow(event);
  });
  sight.addEventListener("pointermove", event => { if (sight.hasPointerCapture(event.pointerId)) follow(event); });
  show();
}
for (const choice of document.querySelectorAll("input[data-shows]")) {
  choice.addEventListener("change", () => {
    const sight = document.getElementById(choice.dataset.sight);
    for (const picture of sight.querySelectorAll(".before")) picture.hidden = picture.dataset.name !== choice.dataset.shows;
    sight.querySelector(".tag.left").textContent = choice.dataset.words;
    sight.querySelector("input[type=range]").dispatchEvent(new Event("input"));
  });
}
for (const button of document.querySelectorAll("button[data-blinks]")) {
  const stage = document.getElementById(button.dataset.blinks);
  const pictures = [...stage.querySelectorAll("img")];
  const words = stage.querySelector("figcaption");
  let seen = 0, clock = null;
  const show = number => {
    pictures[seen].classList.remove("seen");
    seen = (number + pictures.length) % pictures.length;
    pictures[seen].classList.add("seen");
    words.textContent = pictures[seen].dataset.words;
  };
  button.addEventListener("click", () => {
    if (clock) { clearInterval(clock); clock = null; } else { show(seen + 1); clock = setInterval(() => show(seen + 1), 700); }
    button.setAttribute("aria-pressed", String(clock !== null));
  });
  for (const step of document.querySelectorAll("button[data-steps='" + button.dataset.blinks + "']")) {
    step.addEventListener("click", () => show(seen + Number(step.dataset.by)));
  }
}
addEventListener("beforeprint", () => { for (const part of document.querySelectorAll("details")) part.open = true; });
