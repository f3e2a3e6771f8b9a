// Tables that open at a tap are printed open.
window.addEventListener("beforeprint", () => {
  document.querySelectorAll("details").forEach((one) => { one.open = true; });
});
