// Reads the code of a tag with the camera, where the browser can: the code is a link whose last part is the number.
"use strict";
const area = document.getElementById("scan");

async function codes() {
  if (!("BarcodeDetector" in window) || !navigator.mediaDevices) return false;
  try {
    return (await BarcodeDetector.getSupportedFormats()).includes("qr_code");
  } catch {
    return false;
  }
}

async function scan(picture, told) {
  const stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
  const reader = new BarcodeDetector({ formats: ["qr_code"] });
  picture.srcObject = stream;
  picture.hidden = false;
  await picture.play();
  told.textContent = "Hold the tag before the camera.";
  const look = async () => {
    const found = await reader.detect(picture).catch(() => []);
    if (found.length) {
      stream.getTracks().forEach((track) => track.stop());
      location.href = `/tag?number=${encodeURIComponent(found[0].rawValue)}`;
      return;
    }
    setTimeout(look, 150);
  };
  look();
}

codes().then((can) => {
  if (!can) return;
  area.hidden = false;
  const told = document.getElementById("scan-said");
  document.getElementById("scan-start").addEventListener("click", () => {
    scan(document.getElementById("scan-picture"), told).catch(() => {
      told.textContent = "The camera cannot be used: key the number in.";
    });
  });
});
