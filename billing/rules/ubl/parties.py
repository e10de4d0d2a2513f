"""Seller and buyer in UBL."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from billing.rules.ubl.codes import EMAIL_SCHEME, VAT_PREFIXES
from billing.rules.ubl.elements import group, leaf, said


def street_of(party: Mapping[str, Any]) -> str:
    """The street, or the free address on one line when that is all there is."""
    street: str = party["street"] or ""
    if street or party["city"]:
        return street
    return ", ".join(line.strip() for line in (party.get("address") or "").splitlines() if line.strip())


def is_vat_id(party: Mapping[str, Any]) -> bool:
    """Whether the tax number begins with the code of the party's country, or of a state of the EU (BR-CO-09)."""
    return said(party["vat_id"])[:2] in VAT_PREFIXES | {party["country"]} - {""}


def seller(issuer: Mapping[str, Any], *, without_vat: bool) -> str:
    """``without_vat``: something is not subject to VAT, so the number stands as a registration only."""
    vat = is_vat_id(issuer) and not without_vat
    number = said(issuer["vat_id"])
    identified = vat or said(issuer["registration"])
    return group(
        "AccountingSupplierParty",
        group(
            "Party",
            _endpoint(issuer),
            # BR-CO-26: some number must identify the seller.
            "" if identified else group("PartyIdentification", leaf("ID", number or issuer["legal_name"])),
            _address(issuer),
            _tax_number(number, "VAT" if vat else "TAX"),
            group(
                "PartyLegalEntity",
                leaf("RegistrationName", issuer["legal_name"]),
                leaf("CompanyID", issuer["registration"]),
            ),
            group("Contact", leaf("Telephone", issuer["phone"]), leaf("ElectronicMail", issuer["email"])),
        ),
    )


def buyer(customer: Mapping[str, Any], *, without_vat: bool) -> str:
    """A tax number that can't stand as the VAT identifier stands as the legal registration (BT-47)."""
    number = said(customer["vat_id"])
    vat = is_vat_id(customer) and not without_vat
    return group(
        "AccountingCustomerParty",
        group(
            "Party",
            _endpoint(customer),
            group("PartyIdentification", leaf("ID", customer["code"])),
            _address(customer),
            _tax_number(number, "VAT") if vat else "",
            group(
                "PartyLegalEntity",
                leaf("RegistrationName", customer["name"]),
                "" if vat else leaf("CompanyID", number),
            ),
        ),
    )


def _endpoint(party: Mapping[str, Any]) -> str:
    return leaf("EndpointID", party["email"], f'schemeID="{EMAIL_SCHEME}"')


def _address(party: Mapping[str, Any]) -> str:
    return group(
        "PostalAddress",
        leaf("StreetName", street_of(party)),
        leaf("CityName", party["city"]),
        leaf("PostalZone", party["postcode"]),
        leaf("CountrySubentity", party["subdivision"]),
        country(party["country"]),
    )


def country(code: str) -> str:
    return group("Country", leaf("IdentificationCode", code))


def _tax_number(number: str, scheme: str) -> str:
    return number and group(
        "PartyTaxScheme", leaf("CompanyID", number), group("TaxScheme", leaf("ID", scheme))
    )
