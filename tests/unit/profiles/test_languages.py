"""German, French and Spanish files of a yard are proposed as what they are."""

from __future__ import annotations

import pytest

from fleetlog.intake.profiles import propose

MACHINES = ("machine_id", "serial_number", "make", "model", "build_date", "site")
ORDERS = (
    "work_order_id",
    "machine_id",
    "opened_at",
    "closed_at",
    "hours",
    "complaint",
    "cause",
    "correction",
)
READINGS = ("machine_id", "read_at", "hours")


@pytest.mark.parametrize(
    ("headings", "kind", "columns"),
    [
        ("Maschinen-Nr.;Seriennummer;Hersteller;Typ;Baujahr;Standort", "machines", MACHINES),
        ("N° de machine;N° de série;Marque;Modèle;Année de construction;Site", "machines", MACHINES),
        ("Código de máquina;Número de serie;Marca;Modelo;Año de fabricación;Ubicación", "machines", MACHINES),
        ("Maschine;Ablesedatum;Zählerstand (h)", "meter_readings", READINGS),
        ("Geraet;Datum;Zaehlerstand", "meter_readings", READINGS),
        ("Engin;Date du relevé;Compteur horaire", "meter_readings", READINGS),
        ("Máquina;Fecha de lectura;Horómetro", "meter_readings", READINGS),
        (
            "Auftragsnr.;Maschine;Eröffnet am;Abgeschlossen am;Betriebsstunden;Beanstandung;Ursache;Behebung",
            "work_orders",
            ORDERS,
        ),
        (
            "N° d'ordre;Engin;Date d'ouverture;Date de clôture;Heures;Plainte;Cause;Réparation",
            "work_orders",
            ORDERS,
        ),
        (
            "Orden de trabajo;Máquina;Fecha de apertura;Fecha de cierre;Horas;Queja;Causa;Reparación",
            "work_orders",
            ORDERS,
        ),
    ],
)
def test_headings(headings: str, kind: str, columns: tuple[str, ...]) -> None:
    proposal = propose(headings.split(";"), [])
    assert proposal.kind == kind
    assert tuple(match.column for match in proposal.columns) == columns


def test_words() -> None:
    rows = [["1", "1", "Buchse", "links", "ersetzt"], ["1", "2", "Pompe", "droite", "étalonnage"]]
    proposal = propose(["Auftrag", "Zeile", "Bauteil", "Seite", "Tätigkeit"], rows)
    assert proposal.kind == "work_lines"
    meant = {match.text: match.word for match in proposal.words}
    assert meant["Buchse"] == "internal_bushing"
    assert (meant["links"], meant["droite"]) == ("left", "right")
    assert (meant["ersetzt"], meant["étalonnage"]) == ("replace", "calibrate")


def test_a_log_in_which_machines_come_again_is_no_list_of_machines() -> None:
    rows = [[machine, f"2024-0{month}-01", "North"] for month in range(1, 6) for machine in ("A1", "A2")]
    assert propose(["Unit", "Year built", "Site"], rows).kind != "machines"
