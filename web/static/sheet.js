// @ts-check
document.getElementById("print")?.addEventListener("click", () => print());
