#!/usr/bin/env python3
"""Makes the three invented clubs' spreadsheets beside this script.

    python3 -m venv /tmp/lists && /tmp/lists/bin/pip install openpyxl odfpy
    /tmp/lists/bin/python seed-data/spreadsheets/make.py

People, places and tags are invented. Each club keeps its lists in a way of its own:

- lantern/ is a set of CSV files with semicolons: "Surname, Given", metric, days first,
  some days as ISO; loans name people with other case and spaces; a list of what goes with
  the telescopes has kinds left out, kinds of their own, and a telescope among them.
- heron.xlsx is one workbook with titles above the headings, inches and pounds, months
  first, real date cells among them, and a borrower's cell merged over several rows.
- quarry.ods mixes millimetres, centimetres and inches in one column, writes f/10 for the
  focal length, and months as words.

The same every time: nothing is drawn by chance, and what the writers stamp with the
hour is set to a fixed one.
"""

import csv
import datetime
import pathlib
import shutil
import zipfile

import openpyxl
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P

HERE = pathlib.Path(__file__).parent
STAMP = datetime.datetime(2026, 3, 1, 12, 0, 0)


def lantern():
    folder = HERE / "lantern"
    folder.mkdir(exist_ok=True)

    def write(name, rows):
        with open(folder / name, "w", newline="", encoding="utf-8") as out:
            csv.writer(out, delimiter=";").writerows(rows)

    members = [
        ("Oakes, Maribel", "maribel.oakes@lantern.example", "coordinator", "03.04.2015"),
        ("Tansley, Rufus", "rufus@lantern.example", "volunteer", "17.09.2016"),
        ("Sørland, Ingeborg", "ingeborg@lantern.example", "helper", "01.02.2018"),
        ("Quill, Tobias", "", "member", "12.05.2019"),
        ("Quill, Adela", "adela.quill@lantern.example", "member", "12.05.2019"),
        ("Brandvold, Nils", "", "", "23.11.2020"),
        ("Marchbanks, Petra", "petra.m@lantern.example", "", "05.06.2021"),
        ("Holloway, Jo", "jo@lantern.example", "junior", "14.01.2022"),
        ("Vance, Elspeth", "elspeth.vance@lantern.example", "", "30.08.2022"),
        ("Dunmore, Casimir", "", "", "02.03.2023"),
        ("Ferro, Lucia", "lucia@lantern.example", "", "19.10.2023"),
        ("Okonjo, Samuel", "samuel@lantern.example", "", "08.12.2023"),
        ("Penhale, Wren", "", "guest", ""),
        ("Astley, Gideon", "gideon@lantern.example", "", "11.02.2024"),
        ("Rooke, Hester", "", "", "21.06.2024"),
        ("Vale, Ambrose", "ambrose@lantern.example", "", "09.09.2024"),
    ]
    write("members.csv", [("Name ", "E-Mail", "Function", "Member since")] + members)
    scopes = [
        ("L 01", "Newtonian", "203 mm", "1219 mm", "9,5 kg", "Hut, rack A", "640", "in"),
        ("L 02", "Newton", "152,4", "1200", "6,8 kg", "Hut, rack A", "420", "in"),
        ("L 03", "Dobsonian", "254 mm", "1250 mm", "15 kg", "Hut, rack B", "890,50", "workshop"),
        ("L 04", "Schmidt-Cassegrain", "203,2 mm", "f/10", "5,7 kg", "School", "1.250", "in"),
        ("L 05", "Mak-Cass", "127 mm", "1540 mm", "3,4 kg", "Hut, rack B", "560", "out"),
        ("L 06", "achromat", "102 mm", "1000 mm", "3,9 kg", "Hut, rack C", "310", "in"),
        ("L 07", "ED refractor", "80 mm", "f/7", "2,9 kg", "Hut, rack C", "720", "out"),
        ("L 08", "Binoculars", "70 mm", "", "1,5 kg", "Drawer", "150", "in"),
        ("L 09", "solar", "50 mm", "400 mm", "2 kg", "Locked cupboard", "980", "in"),
        ("L 10", "refractor", "70 mm", "700 mm", "2,4 kg", "Hut, rack C", "140", "retired"),
    ]
    head = ("Inv. no.", "Type", "Aperture", "Focal length", "Weight", "Where", "Value EUR", "State")
    write("telescopes.csv", [("Lantern Fell lending shelf",), (), head] + scopes)
    gear = [
        ("G 01", "EQ mount for 8 kg", "mount", "Hut, rack A", "410", "in", ""),
        ("G 02", "EQ mount, small", "", "Hut, rack A", "180", "out", ""),
        ("G 03", "Steel tripod", "stand", "Hut, rack A", "95,50", "in", "one leg sticks"),
        ("G 04", "25 mm eyepiece", "eyepiece", "Drawer", "40", "in", ""),
        ("G_05", "10 mm", "Eyepieces", "drawer", "55", "in", ""),
        ("G 06", "UHC filter", "", "Drawer", "70", "lost", "since the summer camp"),
        ("G 07", "Battery 12 V, 7 Ah", "power", "Hut, rack B", "60", "in", ""),
        ("G 08", "Finder 8x50", "", "Drawer", "50", "in", ""),
        ("G 09", "Case for the 80 mm refractor", "", "Hut, rack C", "30", "in", ""),
        ("", "", "", "", "", "", ""),
        ("G 10", "Star atlas", "book", "School", "35", "in", ""),
        ("G 11", "Dew heater 8 in", "", "Drawer", "25", "in", ""),
        ("G 12", "dew heater, 5 inch", "", "Drawer", "25", "wants a new plug", ""),
        ("L 11", "114 mm Newtonian f/7.9", "telescope", "School", "120", "in", ""),
    ]
    head = ("Inv. no.", "What", "Sort", "Where", "Worth EUR", "State", "Remarks")
    write("gear.csv", [("What goes with the telescopes",), ("looked through on 11.01.2026",), head] + gear)
    kit = [
        ("L 01", "Tube with caps"), ("", "Mount"), ("", "25 mm eyepiece"), ("", "Finder"),
        ("L 02", "Tube with caps"), ("", "Mount"), ("", "10 mm eyepiece"),
        ("L 04", "Tube with caps"), ("", "Mount and tripod"), ("", "Diagonal"), ("", "Dew shield"),
        ("L 05", "Tube with caps"), ("", "Tripod"), ("", "Diagonal"), ("", "20 mm eyepiece"),
        ("L 07", "Tube with caps"), ("", "Tripod"), ("", "Diagonal"),
    ]
    write("kit.csv", [("Telescope", "Part")] + kit)
    loans = [
        ("L01", "Tobias Quill", "03.02.2025", "2025-03-02", "2025-03-01", ""),
        ("L01", "quill, tobias ", "07.04.2025", "2025-05-05", "2025-05-09", "a week late"),
        ("l02", "MARIBEL OAKES", "11.01.2025", "2025-02-08", "2025-02-08", ""),
        ("L02", "Ingeborg Sorland", "01.03.2025", "2025-03-29", "2025-03-30", ""),
        ("L04", "Petra  Marchbanks", "25.05.2025", "2025-06-22", "2025-06-20", ""),
        ("L04", "Elspet Vance", "04.07.2025", "2025-08-01", "2025-08-03", ""),
        ("L05", "Vance, Elspeth", "10.01.2026", "2026-02-07", "", "came without caps"),
        ("L06", "Wren Penhale", "06.09.2025", "2025-10-04", "2025-10-01", ""),
        ("L07", "Jo Holloway", "20.02.2026", "2026-03-20", "", ""),
        ("L08", "Mr. Bellweather", "02.08.2025", "2025-08-30", "2025-08-29", "neighbour"),
        ("L03", "Quill", "12.09.2025", "2025-10-10", "2025-10-11", ""),
        ("G 02", "Vance, Elspeth", "10.01.2026", "2026-02-07", "", "with L05"),
        ("g01", "Petra Marchbanks", "25.05.2025", "2025-06-22", "2025-06-20", ""),
        ("G10", "Tobias Quill", "05.10.2025", "", "2025-11-30", ""),
    ]
    write("loans.csv", [("Scope", "Lent to", "Date out", "Due back", "Returned", "Remarks")] + loans)


def heron():
    book = openpyxl.Workbook()
    book.properties.created = book.properties.modified = STAMP
    people = book.active
    people.title = "Members"
    people.append(["Heron Point Stargazers: MEMBERS 2026"])
    people.append([])
    people.append(["First name", "LAST NAME", "Email", "Joined"])
    for row in [
        ("Delphine", "Marsh", "delphine@heron.example", "3/14/2012"),
        ("Odell", "Kestrel", "odell.kestrel@heron.example", "6/2/2014"),
        ("Ruth", "Amberly", "ruth@heron.example", "11/23/2016"),
        ("Ruth", "Amberley-Cole", "ruth.ac@heron.example", "1/5/2017"),
        ("Wendell", "Shaw", None, "4/4/2018"),
        ("Imani", "Brook", "imani@heron.example", datetime.date(2019, 9, 7)),
        ("Caspian", "Lowe", "caspian@heron.example", datetime.date(2020, 2, 29)),
        ("Yusuf", "Tarrant", None, "8/19/2021"),
        ("Greta", "Finch", "greta.finch@heron.example", "12/1/2022"),
        ("Theodora", "Pell", "theo@heron.example", "5/30/2023"),
        ("Bram", "Oxley", None, None),
        ("Noor", "Hadley", "noor@heron.example", "10/10/2024"),
    ]:
        people.append(row)

    scopes = book.create_sheet("Scopes")
    scopes.append(["No.", "Description", "Aperture (in)", "F ratio", "Wt. (lb)", "Notes"])
    for row in [
        (1, "Newtonian, white tube", 8, 6, 19.8, None),
        (2, "Dobsonian Newtonian", 10, 4.7, 33, "heavy, two people"),
        (3, "Schmidt-Cassegrain", 8, 10, 12.5, None),
        (4, "Maksutov", 5, 12.1, 7.5, None),
        (5, "Achromat refractor", 4, 9.8, 8.4, "lens cap is missing"),
        (6, "Apochromat", 3.15, 7, 6.4, None),
        (7, "Classical Cassegrain", 8, 12, 16.5, None),
        (8, "Ritchey-Chretien", 8, 8, 16.5, "for pictures"),
    ]:
        scopes.append(row)

    loans = book.create_sheet("Lending 2025-26")
    loans.append(["LENDING BOOK"])
    loans.append(["Who", "Scope #", "Out", "Back by", "Back", "Issued by"])
    rows = [
        ("Wendell Shaw", 1, "1/11/2025", "2/8/2025", "2/7/2025", "Odell"),
        (None, 3, "3/15/2025", "4/12/2025", "4/12/2025", "Odell"),
        (None, 5, datetime.date(2025, 6, 21), datetime.date(2025, 7, 19), datetime.date(2025, 7, 26), "Ruth"),
        ("Finch, Greta", 2, "2/3/2025", "3/3/2025", "3/1/2025", "Ruth"),
        ("Imani Brook", 4, "5/5/2025", "6/2/2025", "6/9/2025", "Odell"),
        (None, 4, "8/30/2025", "9/27/2025", "9/20/2025", "Odell"),
        ("theo@heron.example", 6, datetime.date(2025, 11, 1), datetime.date(2025, 11, 29), datetime.date(2025, 11, 28), "Ruth"),
        ("Caspian Low", 7, "2/14/2026", "3/14/2026", None, "Delphine"),
        ("NOOR HADLEY", 3, datetime.date(2026, 2, 21), datetime.date(2026, 3, 21), None, "Delphine"),
    ]
    for row in rows:
        loans.append(row)
    loans.merge_cells("A3:A5")
    loans.merge_cells("A7:A8")

    trips = book.create_sheet("Trips")
    trips.append(["Date", "Scope", "How", "Distance (miles)", "By"])
    for row in [
        ("1/11/2025", 1, "car", 12, "Wendell"),
        ("2/7/2025", 1, "car", 12, "Wendell"),
        ("3/15/2025", 3, "driven", "30 mi", "Wendell"),
        ("5/5/2025", 4, "by hand", None, "Imani"),
        ("5/17/2025", 2, "open evening at the school", None, "Ruth"),
        ("6/21/2025", 5, "rough track", 8.5, "Wendell"),
        ("6/22/2025", 5, "knocked over", None, "Wendell"),
        ("8/30/2025", 4, "car", "48 km", "Imani"),
    ]:
        trips.append(row)
    path = HERE / "heron.xlsx"
    book.save(path)
    restamp(path)


def quarry():
    book = OpenDocumentSpreadsheet()
    book.meta.childNodes.clear()

    def sheet(name, rows):
        table = Table(name=name)
        for row in rows:
            line = TableRow()
            for value in row:
                if value is None:
                    line.addElement(TableCell())
                elif isinstance(value, datetime.date):
                    cell = TableCell(valuetype="date", datevalue=value.isoformat())
                    cell.addElement(P(text=value.isoformat()))
                    line.addElement(cell)
                elif isinstance(value, (int, float)):
                    cell = TableCell(valuetype="float", value=str(value))
                    cell.addElement(P(text=str(value)))
                    line.addElement(cell)
                else:
                    cell = TableCell(valuetype="string")
                    cell.addElement(P(text=value))
                    line.addElement(cell)
            table.addElement(line)
        book.spreadsheet.addElement(table)

    sheet("people", [
        ("who", "mail", "what", "from"),
        ("Agnes Thorne", "agnes@quarry.example", "volunteer", datetime.date(2017, 5, 1)),
        ("Basil Ormonde", "basil@quarry.example", "member", "March 3, 2019"),
        ("Clement Fay", None, "member", "12 June 2020"),
        ("Dorothea Lisle", "dorothea@quarry.example", "member", "7 Oct 2021"),
        ("Edmund Rivers", None, "visitor", None),
        ("Florian Hewitt", "florian@quarry.example", "member", "21 Feb 2024"),
    ])
    sheet("telescopes", [
        ("tag", "optical design", "size", "focal length", "mass", "accessories", "condition"),
        ("QN1", "Newtonian", "203 mm", "f/6", "9 kg", "tube, mount, finder, 25 mm eyepiece", "ok"),
        ("QN2", "Newtonian", "10 in", "50 in", "33 lb", "tube; mount; finder", "ok"),
        ("QS1", "SCT", "8\"", "f/10", "12.5 lb", "tube, tripod, diagonal", "ok"),
        ("QM1", "Maksutov", "12.7 cm", "1540 mm", "3.4 kg", "tube, tripod, diagonal", "wants a new screw"),
        ("QR1", "achromat", "4 in", "1 m", "8.6 lb", "tube, tripod", "ok"),
        ("QR2", "apochromat", "80 mm", "f/7", "2.9 kg", "tube, tripod", "ok"),
    ])
    sheet("book", [
        ("instrument", "borrowed by", "from", "until", "back"),
        ("QN1", "Basil Ormonde", "4 Jan 2026", "1 Feb 2026", "30 Jan 2026"),
        ("QN1", "Clement Fay", datetime.date(2026, 2, 6), datetime.date(2026, 3, 6), None),
        ("QS1", "Dorothea Lisle", "Nov 2, 2025", "Nov 30, 2025", "Dec 6, 2025"),
        ("QR1", "Edmund Rivers", datetime.date(2025, 7, 4), datetime.date(2025, 8, 1), datetime.date(2025, 8, 1)),
        ("QR2", "Fay, Clement", "9 Aug 2025", "6 Sep 2025", "5 Sep 2025"),
    ])
    sheet("star tests", [
        ("tag", "tested", "coma (waves)", "error", "seeing", "side", "observer"),
        ("QN1", "31 Jan 2026", 0.042, 0.012, "III", "inside", "Agnes"),
        ("QN2", datetime.date(2025, 10, 11), 0.11, 0.03, "2", "outside", "Agnes"),
        ("QS1", "7 Dec 2025", 0.085, None, "III", "", "Florian"),
        ("QM1", datetime.date(2025, 6, 21), 0.015, 0.01, "II", "outside", "Agnes"),
        ("QR1", "2 Aug 2025", 0.02, 0.015, "IV", "inside", "Florian"),
    ])
    path = HERE / "quarry.ods"
    book.save(str(path))
    restamp(path)


def restamp(path):
    """The same bytes whenever it is run: fixed times in the archive and its properties."""
    old = path.with_suffix(".old")
    shutil.move(path, old)
    with zipfile.ZipFile(old) as source, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        for name in source.namelist():
            part = zipfile.ZipInfo(name, (2026, 3, 1, 12, 0, 0))
            part.compress_type = zipfile.ZIP_STORED if name == "mimetype" else zipfile.ZIP_DEFLATED
            data = source.read(name)
            if name == "docProps/core.xml":
                import re

                data = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>2026-03-01T12:00:00Z", data)
            out.writestr(part, data)
    old.unlink()


if __name__ == "__main__":
    lantern()
    heron()
    quarry()
