// Takes the token out of the address (after #, where no server and no log sees it) and hands it in.

import { post } from "./api.js";

const says = document.getElementById("says");
const box = document.getElementById("token");

async function enter(token) {
  says.className = "";
  says.textContent = "One moment …";
  try {
    await post("enter", { token });
    location.replace("/");
  } catch (error) {
    says.className = "wrong";
    says.setAttribute("role", "alert");
    says.textContent = error.message;
    box.focus();
  }
}

document.getElementById("form").addEventListener("submit", (event) => {
  event.preventDefault();
  if (box.value.trim()) enter(box.value.trim());
});

const given = decodeURIComponent(location.hash.slice(1)).trim();
// Out of the address bar and the history at once: nobody shall read it over a shoulder.
history.replaceState(null, "", location.pathname);
if (given) enter(given);
