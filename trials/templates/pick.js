(function () {
  "use strict";
  var box = document.getElementById("pick-box");
  var list = document.getElementById("pick");
  var said = document.getElementById("pick-said");
  function show() {
    var tank = list.value;
    var found = 0;
    document.querySelectorAll(".of-tank").forEach(function (mark) {
      var mine = tank !== "" && mark.getAttribute("data-tank") === tank;
      mark.classList.toggle("picked", mine);
      mark.classList.toggle("faded", tank !== "" && !mine);
      found += mine ? 1 : 0;
    });
    said.textContent = tank === "" ? "" : found + " marks and lines of " + tank + " stand out.";
  }
  function choose(tank) {
    list.value = tank;
    show();
  }
  box.hidden = false;
  list.addEventListener("change", show);
  document.addEventListener("click", function (event) {
    var mark = event.target.closest(".of-tank");
    if (mark) { choose(mark.getAttribute("data-tank")); }
  });
  document.addEventListener("keydown", function (event) {
    if (event.key === "Escape") { choose(""); }
  });
  show();
})();
