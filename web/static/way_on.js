// On the sweep screen while the indicator is not there: the way to the screen that finds it.
const link = document.getElementById("link");
const way = document.getElementById("way-on");
const look = () => {
  way.hidden = link.dataset.kind !== "off";
};
new MutationObserver(look).observe(link, { attributes: true, attributeFilter: ["data-kind"] });
look();
