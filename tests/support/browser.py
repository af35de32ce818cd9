#!/usr/bin/env python3
# SPDX-License-Identifier: MIT
"""Opens pages in a headless browser and says what it sees; no library but Python's own.

browser.py PAGE [--record RECORD] [--shot DIR]

Each page is opened as a screen in both themes, narrow and wide, and on paper. It must make no request, write nothing to
the console, be legible (contrast of every text against what lies behind it), not run over its edge; with --record the
points of its curves are those of the record. Exit status 77 without a browser.
"""
import base64, fcntl, json, os, shutil, subprocess, sys, tempfile

LEAST_CONTRAST = 4.5  # WCAG 2.1, level AA, of text that is not large
LOOK = r"""
(() => {
  const parse = text => { const n = text.match(/[\d.]+/g).map(Number); return { r: n[0], g: n[1], b: n[2], a: n.length > 3 ? n[3] : 1 }; };
  const over = (top, under) => ({ r: top.r * top.a + under.r * (1 - top.a), g: top.g * top.a + under.g * (1 - top.a), b: top.b * top.a + under.b * (1 - top.a), a: 1 });
  const part = v => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
  const light = c => 0.2126 * part(c.r) + 0.7152 * part(c.g) + 0.0722 * part(c.b);
  const ground = element => {
    const layers = [];
    for (let e = element; e; e = e.parentElement) {
      const c = parse(getComputedStyle(e).backgroundColor);
      layers.push(c);
      if (c.a === 1) break;
    }
    let c = { r: 255, g: 255, b: 255, a: 1 };
    for (const layer of layers.reverse()) c = over(layer, c);
    return c;
  };
  const paint = style => style.fill && style.fill !== "none" ? parse(style.fill) : null;
  const seen = { texts: 0, least: 99, worst: "", small: 99 };
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node; (node = walk.nextNode());) {
    const element = node.parentElement, style = getComputedStyle(element);
    if (!node.textContent.trim() || ["SCRIPT", "STYLE", "TITLE"].includes(element.tagName.toUpperCase())) continue;
    if (style.visibility === "hidden" || style.display === "none" || !element.getClientRects().length) continue;
    const svg = element instanceof SVGElement;
    let behind = ground(svg ? element.ownerSVGElement.parentElement : element);
    const disc = svg && element.previousElementSibling;
    if (disc && disc.tagName === "circle") behind = paint(getComputedStyle(disc));
    const ink = over(svg ? paint(style) : parse(style.color), behind), a = light(ink), b = light(behind);
    const contrast = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    const scale = svg ? element.ownerSVGElement.getBoundingClientRect().width / element.ownerSVGElement.viewBox.baseVal.width : 1;
    seen.texts++;
    seen.small = Math.min(seen.small, parseFloat(style.fontSize) * scale);
    if (contrast < seen.least) { seen.least = contrast; seen.worst = node.textContent.trim().slice(0, 60); }
  }
  seen.overflow = document.documentElement.scrollWidth - document.documentElement.clientWidth;
  return seen;
})()
"""
POINTS = r"""
(() => {
  const table = document.querySelector("#points"), svg = document.querySelector("svg.chart");
  if (!table) return null;
  return { heads: [...table.tHead.rows[0].cells].map(c => c.textContent),
           rows: [...table.tBodies[0].rows].map(r => [...r.cells].map(c => c.textContent)),
           x: +svg.dataset.x, wide: +svg.dataset.wide, span: +svg.dataset.span,
           curves: [...svg.querySelectorAll("path[data-col]:not([data-area])")].map(p => ({ col: +p.dataset.col, y0: +p.dataset.y0, k: +p.dataset.k, d: p.getAttribute("d") })) };
})()
"""
PLAY = r"""
(() => {
  const svg = document.querySelector("svg.chart"), readout = document.querySelector("#readout");
  if (!svg) return null;
  const box = svg.getBoundingClientRect(), key = key => svg.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
  svg.dispatchEvent(new PointerEvent("pointermove", { clientX: box.left + box.width / 2, clientY: box.top + 40, bubbles: true }));
  const shown = getComputedStyle(readout).visibility, told = readout.textContent;
  const before = svg.querySelector("path[data-col]").getAttribute("d");
  key("+");
  const closer = svg.querySelector("path[data-col]").getAttribute("d");
  key("Escape");
  const whole = svg.querySelector("path[data-col]").getAttribute("d");
  return { shown, told, moved: before !== closer, closer: closer.length, back: whole.length > 10 && whole !== closer, hidden: getComputedStyle(readout).visibility };
})()
"""


class Browser:
    def __init__(self, program, home):
        to_read, self.to = os.pipe()
        self.back, from_write = os.pipe()

        def wire():  # as descriptors 3 and 4, wherever the pipes' own ends lie
            ends = [fcntl.fcntl(end, fcntl.F_DUPFD, 10) for end in (to_read, from_write)]
            os.dup2(ends[0], 3)
            os.dup2(ends[1], 4)

        self.process = subprocess.Popen(
            [program, "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-pipe", "--no-first-run",
             "--disable-background-networking", "--user-data-dir=" + home, "about:blank"],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, close_fds=False,
            preexec_fn=wire)
        os.close(to_read)
        os.close(from_write)
        self.number, self.rest, self.events = 0, b"", []

    def call(self, method, session=None, **params):
        self.number += 1
        message = {"id": self.number, "method": method, "params": params}
        if session:
            message["sessionId"] = session
        os.write(self.to, json.dumps(message).encode() + b"\0")
        while True:
            answer = self.next()
            if answer.get("id") == self.number:
                if "error" in answer:
                    sys.exit(f"{method}: {answer['error']}")
                return answer["result"]
            self.events.append(answer)

    def next(self):
        while b"\0" not in self.rest:
            more = os.read(self.back, 1 << 16)
            if not more:
                sys.exit("the browser is gone")
            self.rest += more
        message, self.rest = self.rest.split(b"\0", 1)
        return json.loads(message)

    def wait(self, method):
        while True:
            for event in self.events:
                if event.get("method") == method:
                    return event
            self.events.append(self.next())


failures = 0


def expect(holds, what):
    global failures
    if not holds:
        failures += 1
        print("wrong:", what)


def look(browser, url, theme, width, media, shot):
    target = browser.call("Target.createTarget", url="about:blank")["targetId"]
    session = browser.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
    call = lambda method, **params: browser.call(method, session, **params)
    evaluate = lambda text: call("Runtime.evaluate", expression=text, returnByValue=True)["result"].get("value")
    for domain in ("Page", "Network", "Runtime", "Log"):
        call(domain + ".enable")
    call("Emulation.setDeviceMetricsOverride", width=width, height=1100, deviceScaleFactor=1, mobile=False)
    call("Emulation.setEmulatedMedia", media=media, features=[{"name": "prefers-color-scheme", "value": theme}])
    browser.events.clear()
    call("Page.navigate", url=url)
    browser.wait("Page.loadEventFired")
    name = f"{os.path.basename(url)} {theme} {width} {media or 'screen'}"
    seen = evaluate(LOOK)
    print(f"{name}: {seen['texts']} texts, least contrast {seen['least']:.2f} ({seen['worst']!r}), smallest {seen['small']:.1f} px")
    expect(seen["texts"] > 20, f"{name}: hardly any text")
    expect(seen["least"] >= LEAST_CONTRAST, f"{name}: {seen['worst']!r} has a contrast of {seen['least']:.2f}")
    expect(seen["overflow"] <= 0, f"{name}: {seen['overflow']} px over its edge")
    if width > 600:
        expect(seen["small"] >= 10, f"{name}: a text of {seen['small']:.1f} px")
    points = evaluate(POINTS)
    played = evaluate(PLAY) if media != "print" else None
    if played:
        expect(played["shown"] == "visible" and "plate" in played["told"] or "supply" in played["told"], f"{name}: no readout: {played}")
        expect(played["moved"] and played["back"] and played["hidden"] == "hidden", f"{name}: no zoom: {played}")
    requests = [e["params"]["request"]["url"] for e in browser.events if e.get("method") == "Network.requestWillBeSent"]
    spoken = [e for e in browser.events if e.get("method") in ("Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded")]
    expect(requests == [url], f"{name}: it asks for {str(requests)[:300]}")
    expect(not spoken, f"{name}: on the console: {json.dumps(spoken)[:300]}")
    if shot:
        picture = call("Page.captureScreenshot", format="png", captureBeyondViewport=True)["data"]
        with open(os.path.join(shot, name.replace(" ", "-") + ".png"), "wb") as out:
            out.write(base64.b64decode(picture))
    paper = call("Page.printToPDF", paperWidth=8.27, paperHeight=11.69, preferCSSPageSize=True)["data"] if media == "print" else None
    browser.call("Target.closeTarget", targetId=target)
    return points, base64.b64decode(paper) if paper else None


def check_points(points, record):
    """Every row of the table is a scan, every point of a curve is a row, and each curve's highest and lowest are kept."""
    scans = {round(s["t_ms"] / 1000, 1): s for s in map(json.loads, (l for l in open(record) if l.endswith("\n"))) if s["kind"] == "snapshot"}
    column = {head: i for i, head in enumerate(points["heads"])}
    sources = {"plate, °C": lambda s: s["counts"][1] if s["counts"][0] == "good" else None,
               "board, °C": lambda s: s["board"][1] if s.get("board", ["none"])[0] == "good" else None}
    for head, source in sources.items():
        if head not in column:
            continue
        shown = []
        for row in points["rows"]:
            scan = scans.get(round(float(row[0]), 1))
            expect(scan is not None, f"{head}: no scan at {row[0]}")
            value = source(scan) if scan else None
            text = row[column[head]]
            expect((text == "") == (value is None) and (not text or abs(float(text) - value / 1000) < 0.051),
                   f"{head} at {row[0]}: the page has {text!r}, the record {value}")
            shown += [float(text)] if text else []
        last = float(points["rows"][-1][0])
        real = [source(s) / 1000 for t, s in scans.items() if source(s) is not None and t <= last]
        expect(abs(max(shown) - max(real)) < 0.051 and abs(min(shown) - min(real)) < 0.051, f"{head}: a peak is lost")
    for curve in points["curves"]:
        at = [tuple(map(float, p.split())) for p in curve["d"].replace("L", "M").split("M") if p]
        rows = [r for r in points["rows"] if r[curve["col"]] != ""]
        expect(len(at) == len(rows), f"curve {curve['col']}: {len(at)} points, {len(rows)} rows")
        for (x, y), row in zip(at, rows):
            t, value = float(row[0]), float(row[curve["col"]])
            expect(abs(x - (points["x"] + points["wide"] * t / points["span"])) < 0.2, f"curve {curve['col']}: x at {t}")
            expect(abs(y - (curve["y0"] - curve["k"] * value)) < 0.06 + 0.06 * curve["k"], f"curve {curve['col']}: y at {t}")


def main(arguments):
    page = os.path.abspath(arguments[0])
    options = dict(zip(arguments[1::2], arguments[2::2]))
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if not program:
        print("no chromium: the page is not opened")
        return 77
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as home:
        browser = Browser(program, home)
        url = "file://" + page
        for theme, width, media in (("light", 1100, ""), ("dark", 1100, ""), ("light", 390, ""), ("dark", 390, ""), ("light", 794, "print")):
            points, paper = look(browser, url, theme, width, media, options.get("--shot"))
        if points and "--record" in options:
            check_points(points, options["--record"])
        pages = paper.count(b"/Type /Page\n") + paper.count(b"/Type /Page ") + paper.count(b"/Type/Page/")
        print(f"{os.path.basename(page)}: {os.path.getsize(page)} bytes, {pages} pages of A4")
        expect(os.path.getsize(page) < 2 << 20, "2 MB or more")
        if "--pages" in options:
            expect(pages <= int(options["--pages"]), f"{pages} pages")
        browser.call("Browser.close")
        browser.process.wait(20)
    return 1 if failures else 0


sys.exit(main(sys.argv[1:]))
