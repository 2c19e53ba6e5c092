// Addresses of parts that are on details.html now lead there.
"use strict";
(() => {
  const go = () => {
    const link = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
    if (link && link.matches('a[href^="details.html#"]')) location.replace(link.href);
  };
  addEventListener("hashchange", go);
  go();
})();
