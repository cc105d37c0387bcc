// A sign-in card's code is a link whose part after # is the key: it never travels in an address.
"use strict";
const key = decodeURIComponent(location.hash.slice(1));
if (key) {
  history.replaceState(null, "", location.pathname + location.search);
  document.getElementById("key").value = key;
  document.querySelector("form").submit();
}
