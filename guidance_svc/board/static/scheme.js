// Before the first paint: the colour scheme that was chosen last time, else that of the system.
"use strict";
{
  let chosen = null;
  try {
    chosen = localStorage.getItem("scheme");
  } catch {
    chosen = null; // storage may be forbidden; the system's scheme it is
  }
  if (chosen === "light" || chosen === "dark") document.documentElement.dataset.scheme = chosen;
}
