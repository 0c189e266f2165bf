"""How the invented German-language site writes its export: file names, headers, units and codes.

`CODES` is ours = theirs, for every column that the site writes in its own words.
"""

from __future__ import annotations

from collections.abc import Mapping

ENCODING, SEPARATOR, DECIMAL, DATES = "cp1252", ";", ",", "%d.%m.%Y"

FILES: Mapping[str, str] = {
    "patients": "Patienten.csv",
    "procedures": "Eingriffe.csv",
    "lesions": "Verschluesse.csv",
    "attempts": "Versuche.csv",
    "complications": "Komplikationen.csv",
    "follow_up": "Nachsorge.csv",
}

# Columns that the mapping must drop, with what stands in them: obviously invented.
DROPPED: Mapping[str, Mapping[str, str]] = {
    "patients": {"Nachname": "Platzhalter-{:03d}"},
    "procedures": {"Bemerkung": "erfundener Freitext {:03d}"},
}

# Ours = theirs, in the order of the site's files. A column of ours that is not here is not exported.
HEADERS: Mapping[str, Mapping[str, str]] = {
    "patients": {
        "patient_id": "Pat-Schlüssel",
        "birth_year": "Geburtsjahr",
        "sex": "Geschlecht",
        "diabetes": "Diabetes",
        "renal": "Nierenstatus",
        "smoking": "Raucherstatus",
        "coronary_disease": "KHK",
        "heart_failure": "Herzschwäche",
        "ambulatory": "gehfähig",
    },
    "procedures": {
        "procedure_id": "Eingriff-Nr",
        "patient_id": "Pat-Schlüssel",
        "procedure_date": "Eingriffsdatum",
        "side": "Seite",
        "operator_id": "Untersucher-Kürzel",
        "urgency": "Dringlichkeit",
        "rutherford": "Rutherford",
        "wound": "WIfI Wunde",
        "ischemia": "WIfI Ischämie",
        "foot_infection": "WIfI Fußinfekt",
        "abi": "Knöchel-Arm-Index",
        "prior_revascularization": "frühere Revaskularisation",
        "duration_min": "Dauer (min)",
        "fluoroscopy_min": "Durchleuchtung (min)",
        "air_kerma_mgy": "Luftkerma (Gy)",
        "contrast_ml": "Kontrastmittel (ml)",
    },
    "lesions": {
        "lesion_id": "Verschluß-Nr",
        "procedure_id": "Eingriff-Nr",
        "segment": "Gefäßabschnitt",
        "length_mm": "Länge (cm)",
        "calcium_grade": "Verkalkung (PACSS)",
        "proximal_cap": "Kappe proximal",
        "distal_cap": "Kappe distal",
        "in_stent": "im Stent",
        "prior_bypass": "Bypass auf Zielgefäß",
        "target_angiosome": "Ziel-Angiosom",
        "runoff_vessels": "offene Unterschenkelgefäße",
        "fp_grade": "GLASS FP",
        "ip_grade": "GLASS IP",
    },
    "attempts": {
        "attempt_id": "Versuch-ID",
        "lesion_id": "Verschluß-Nr",
        "attempt_no": "Versuch-Nr",
        "approach": "Richtung",
        "crossed": "passiert",
        "access_site": "Punktionsort",
        "route": "Weg",
        "access_gained": "Zugang gelungen",
        "guidance": "Führung",
        "sheath": "Schleuse",
        "plane": "Ebene",
        "rendezvous": "Rendezvous-Technik",
        "minutes": "Minuten",
        "stopped_because": "Grund für Ende",
    },
    "complications": {
        "complication_id": "Kompl-Nr",
        "procedure_id": "Eingriff-Nr",
        "attempt_id": "Versuch-ID",
        "kind": "Art",
        "severity": "Schwere",
        "complication_date": "Datum",
    },
    "follow_up": {
        "follow_up_id": "Kontakt-Nr",
        "patient_id": "Pat-Schlüssel",
        "side": "Seite",
        "lesion_id": "Verschluß-Nr",
        "event_date": "Datum",
        "event": "Ereignis",
    },
}

# The unit that a column is written in, and how many of ours make one of theirs.
UNITS: Mapping[str, Mapping[str, tuple[str, float]]] = {
    "procedures": {"air_kerma_mgy": ("Gy", 1000.0)},
    "lesions": {"length_mm": ("cm", 10.0)},
}

CONSTANTS: Mapping[str, Mapping[str, str]] = {
    "procedures": {"site_id": "Standort-1"},
    "lesions": {"calcium_scale": "pacss"},
}

_YES_NO = {"true": "ja", "false": "nein"}
_SIDE = {"left": "li", "right": "re"}

CODES: Mapping[str, Mapping[str, Mapping[str, str]]] = {
    "patients": {
        "sex": {"female": "w", "male": "m", "other": "d"},
        "diabetes": {"none": "nein", "non_insulin": "ohne Insulin", "insulin": "mit Insulin"},
        "renal": {"normal": "normal", "ckd": "eingeschränkt", "dialysis": "Dialyse"},
        "smoking": {"never": "nie", "former": "früher", "current": "ja"},
        "coronary_disease": _YES_NO,
        "heart_failure": _YES_NO,
        "ambulatory": _YES_NO,
    },
    "procedures": {
        "side": _SIDE,
        "urgency": {"elective": "geplant", "urgent": "dringlich", "emergency": "Notfall"},
        "prior_revascularization": {
            "none": "keine",
            "endovascular": "endovaskulär",
            "bypass": "Bypass",
            "both": "beides",
        },
    },
    "lesions": {
        "segment": {
            "superficial_femoral": "AFS",
            "popliteal": "Poplitea",
            "tibioperoneal_trunk": "Truncus",
            "anterior_tibial": "ATA",
            "posterior_tibial": "ATP",
            "peroneal": "Fibularis",
            "dorsalis_pedis": "ADP",
            "plantar": "Fußsohle",
        },
        "proximal_cap": {"concave": "hohl", "convex": "gewölbt"},
        "distal_cap": {"concave": "hohl", "convex": "gewölbt"},
        "in_stent": _YES_NO,
        "prior_bypass": {"none": "0", "patent": "1", "occluded": "2"},
        "target_angiosome": {
            "dorsalis_pedis": "Fußrücken",
            "medial_plantar": "Sohle medial",
            "lateral_plantar": "Sohle lateral",
            "medial_calcaneal": "Ferse medial",
            "lateral_calcaneal": "Ferse lateral",
            "anterior_perforator": "Knöchel außen",
        },
    },
    "attempts": {
        "approach": {"antegrade": "von oben", "retrograde": "von unten"},
        "crossed": _YES_NO,
        "access_site": {
            "common_femoral_ipsilateral": "Leiste gleichseitig",
            "common_femoral_contralateral": "Leiste gegenseitig",
            "superficial_femoral": "AFS",
            "popliteal": "Poplitea",
            "anterior_tibial": "ATA",
            "posterior_tibial": "ATP",
            "peroneal": "Fibularis",
            "dorsalis_pedis": "ADP",
            "plantar": "Fußsohle",
            "metatarsal": "Mittelfuß",
            "radial": "Radialis",
            "brachial": "Brachialis",
        },
        "route": {
            "direct": "direkt",
            "transcollateral": "Kollaterale",
            "pedal_arch": "Fußbogen",
            "through_bypass": "Bypass",
        },
        "access_gained": _YES_NO,
        "guidance": {
            "ultrasound": "Ultraschall",
            "fluoroscopy_contrast": "Kontrast",
            "fluoroscopy_calcium": "Kalk",
            "surgical_exposure": "Freilegung",
        },
        "sheath": {"sheath": "mit", "sheathless": "ohne"},
        "plane": {"intraluminal": "im Lumen", "subintimal": "subintimal", "mixed": "gemischt"},
        "rendezvous": {
            "none": "keine",
            "snare": "Schlinge",
            "double_balloon": "Doppelballon",
            "needle_reentry": "Nadel",
        },
        "stopped_because": {
            "crossed": "passiert",
            "would_not_cross": "nicht passierbar",
            "dissection_plane": "Dissektion",
            "perforation": "Gefäß perforiert",
            "puncture_failed": "Punktion mißlungen",
            "limit_reached": "Zeitlimit",
            "patient": "Patient",
        },
    },
    "complications": {
        "kind": {
            "perforation": "Perforation",
            "flow_limiting_dissection": "Dissektion",
            "distal_embolization": "Embolie",
            "access_hematoma": "Hämatom",
            "pseudoaneurysm": "Aneurysma spurium",
            "arteriovenous_fistula": "AV-Fistel",
            "access_vessel_occlusion": "Zugangsgefäß verschlossen",
            "vasospasm": "Spasmus",
            "compartment_syndrome": "Kompartment",
            "acute_kidney_injury": "Nierenversagen",
            "access_infection": "Wundinfekt Zugang",
            "stroke": "Schlaganfall",
            "myocardial_infarction": "Herzinfarkt",
            "bleeding_transfused": "Blutung mit Transfusion",
            "other": "sonstige",
        },
        "severity": {"mild": "1", "moderate": "2", "severe": "3", "life_threatening": "4", "death": "5"},
    },
    "follow_up": {
        "side": _SIDE,
        "event": {
            "seen": "Kontrolle",
            "target_lesion_revascularization": "Reintervention",
            "target_lesion_occluded": "Reverschluß",
            "bypass": "Bypass",
            "minor_amputation": "Minoramputation",
            "major_amputation": "Majoramputation",
            "wound_healed": "Wunde verheilt",
            "death": "verstorben",
        },
    },
}
