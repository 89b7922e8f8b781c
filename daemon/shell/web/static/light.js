// Runs before the first paint, so that a phone in the dark never flashes: dark unless it is day or somebody chose.
(() => {
  function chosen() {
    try {
      return localStorage.getItem("light") || "auto";
    } catch {
      return "auto";
    }
  }
  function light() {
    var choice = chosen();
    if (choice !== "auto") return choice;
    var hour = new Date().getHours();
    var sunUp = hour >= 7 && hour < 20;
    return sunUp && matchMedia("(prefers-color-scheme: light)").matches ? "day" : "night";
  }
  function apply() {
    document.documentElement.dataset.light = light();
  }
  window.applyLight = apply;
  apply();
  setInterval(apply, 60000);
})();
