"""What a maker of boards takes: Gerber, drill, positions and parts lists of both variants in
order.zip.
Needs KiCad's pcbnew. Dates are the revision's, so that the zip is the same each time."""

import csv
import hashlib
import io
import re
import tempfile
import zipfile
from pathlib import Path

import footprints
import pcbnew
import rules

DATE = "2026-11-26T00:00:00+00:00"
LAYERS = {
    "F_Cu": pcbnew.F_Cu, "B_Cu": pcbnew.B_Cu, "F_Mask": pcbnew.F_Mask, "B_Mask": pcbnew.B_Mask,
    "F_Silkscreen": pcbnew.F_SilkS, "B_Silkscreen": pcbnew.B_SilkS, "F_Paste": pcbnew.F_Paste,
    "Edge_Cuts": pcbnew.Edge_Cuts,
}  # fmt: skip


def digest(path):
    """SHA-256 of a file."""
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()


def undated(text):
    """Dates of the plot replaced by the revision's."""
    text = re.sub(r"(?m)^(G04 Created by KiCad \(.*?\)) date .*\*$", rf"\1 date {DATE}*", text)
    text = re.sub(r"(TF\.CreationDate,)[^*\n]*", rf"\g<1>{DATE}", text)
    text = re.sub(r"(?m)^(; DRILL file \{.*?\}) date .*$", rf"\1 date {DATE}", text)
    return re.sub(r'("CreationDate": *)"[^"]*"', rf'\1"{DATE}"', text)


def plots(board, folder):
    """Gerber X1 with the attributes of X2 as comments, Excellon."""
    control = pcbnew.PLOT_CONTROLLER(board)
    o = control.GetPlotOptions()
    o.SetOutputDirectory(str(folder))
    o.SetUseGerberProtelExtensions(False)
    o.SetUseGerberX2format(False)
    o.SetIncludeGerberNetlistInfo(True)
    o.SetPlotFrameRef(False)
    o.SetPlotValue(True)
    o.SetSubtractMaskFromSilk(False)
    for name, layer in LAYERS.items():
        control.SetLayer(layer)
        control.OpenPlotfile(name, pcbnew.PLOT_FORMAT_GERBER, name)
        control.PlotLayer()
    control.ClosePlot()
    drill = pcbnew.EXCELLON_WRITER(board)
    drill.SetFormat(True)
    drill.SetOptions(False, False, pcbnew.wxPoint(0, 0), False)
    drill.CreateDrillandMapFilesSet(str(folder), True, False)


def positions(board, variant):
    """Placing of the surface-mount parts, mm from the board's lower left corner."""
    rows = io.StringIO()
    out = csv.writer(rows, lineterminator="\n")
    out.writerow(["Designator", "Value", "Package", "Mid X mm", "Mid Y mm", "Rotation", "Layer"])
    wanted = footprints.fitted(variant)
    for f in sorted(board.GetFootprints(), key=lambda f: f.GetReference()):
        if f.GetReference() in wanted and f.GetAttributes() & pcbnew.FP_SMD:
            p = f.GetPosition()
            out.writerow([
                f.GetReference(), f.GetValue(), str(f.GetFPID().GetLibItemName()),
                f"{p.x / 1e6 - 20:.3f}", f"{20 + rules.H - p.y / 1e6:.3f}",
                f"{f.GetOrientationDegrees():g}", "top",
            ])  # fmt: skip
    return rows.getvalue()


def write(board, folder):
    """folder/order.zip."""
    files = {}
    with tempfile.TemporaryDirectory() as temporary:
        plots(board, temporary)
        for path in sorted(Path(temporary).iterdir()):
            files[path.name] = undated(path.read_text(encoding="utf-8"))
    for variant in rules.VARIANTS:
        files[f"positions-{variant}.csv"] = positions(board, variant)
        files[f"parts-{variant}.csv"] = footprints.parts_list(variant)
    files["read-me.txt"] = (folder / "read-me.txt").read_text(encoding="utf-8")
    with zipfile.ZipFile(folder / "order.zip", "w", zipfile.ZIP_DEFLATED, compresslevel=9) as out:
        for name in sorted(files):
            entry = zipfile.ZipInfo(name, (2026, 11, 26, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            out.writestr(entry, files[name])
