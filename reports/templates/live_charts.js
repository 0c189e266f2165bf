"use strict";
// Replaces each still drawing on screen by a live one with tips. If anything fails, the still drawing stays.
(function () {
  var specs = JSON.parse(document.getElementById("chart-specs").textContent);
  var phone = window.matchMedia("(max-width: 640px)");
  var views = {};
  function draw(box) {
    var size = phone.matches ? "narrow" : "wide";
    var name = box.getAttribute("data-chart");
    if (!specs[name] || box.getAttribute("data-live") === size) return Promise.resolve();
    var place = box.querySelector(".live");
    return window.vegaEmbed(place, specs[name][size], {
      mode: "vega-lite", ast: true, actions: false, renderer: "svg", defaultStyle: false
    }).then(function (result) {
      if (views[name]) views[name].finalize();
      views[name] = result;
      box.setAttribute("data-live", size);
    });
  }
  function drawAll() {
    var boxes = Array.prototype.slice.call(document.querySelectorAll("[data-chart]"));
    boxes.reduce(function (before, box) {
      return before.then(function () { return draw(box); }).catch(function () { box.removeAttribute("data-live"); });
    }, Promise.resolve()).then(function () { document.documentElement.setAttribute("data-charts", "done"); });
  }
  if (window.vegaEmbed) {
    drawAll();
    phone.addEventListener("change", drawAll);
  }
  // On paper the tables that belong to the argument are open; afterwards they go back to how they were.
  var opened = [];
  window.addEventListener("beforeprint", function () {
    opened = Array.prototype.slice.call(document.querySelectorAll("details.on-paper:not([open])"));
    opened.forEach(function (d) { d.open = true; });
  });
  window.addEventListener("afterprint", function () {
    opened.forEach(function (d) { d.open = false; });
    opened = [];
  });
})();
