// Before anything is painted: the colours chosen in the settings. A plain script in the head, so that no page flashes up in the other ones.
try {
  const theme = JSON.parse(localStorage.getItem("shimwright.settings") ?? "{}").theme;
  if (theme === "light" || theme === "dark") document.documentElement.dataset.theme = theme;
} catch {
  // Nothing can be stored here, or what is stored is none of ours: the system's colours.
}
