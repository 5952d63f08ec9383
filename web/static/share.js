// Buttons that copy a link. Where the browser does not let pages copy (plain http on a network), the link is shown.
for (const button of document.querySelectorAll("[data-copy]")) {
  button.addEventListener("click", async () => {
    const link = new URL(button.dataset.copy, location.href).href;
    try {
      await navigator.clipboard.writeText(link);
      button.textContent = "Link copied";
    } catch {
      const field = document.createElement("input");
      Object.assign(field, { value: link, readOnly: true, className: "link" });
      field.setAttribute("aria-label", "Link");
      button.replaceWith(field);
      field.select();
    }
  });
}
