// Before the first paint: light or dark as chosen here earlier, else as the device has it.
try {
  const chosen = localStorage.getItem("ouzel.scheme");
  if (chosen === "light" || chosen === "dark") document.documentElement.dataset.scheme = chosen;
} catch {
  // Storage is shut: the device decides.
}
