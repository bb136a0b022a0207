// Before the first paint, so that a dark page never flashes light. Without a choice of its own the device's is taken.
const chosen = localStorage.getItem("tallypan.dark");
if (chosen === "on" || (chosen === null && matchMedia("(prefers-color-scheme: dark)").matches)) {
  document.documentElement.classList.add("dark");
}
