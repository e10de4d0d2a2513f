"""The API's addresses of billing, under /api/v1/."""

from django.urls import path

from billing.api import closes, documents, explaining, previews, prices

urlpatterns = [
    path("price-items", prices.PriceItems.as_view(), name="api-price-items"),
    path("price-items/<str:code>/prices", prices.PriceItemPrices.as_view(), name="api-price-item-prices"),
    path("month-closes", closes.MonthCloses.as_view(), name="api-month-closes"),
    path("invoices", documents.Invoices.as_view(), name="api-invoices"),
    path("invoices/<str:number>", documents.InvoiceDoor.as_view(), name="api-invoice"),
    path("invoices/<str:number>/lines", documents.InvoiceLines.as_view(), name="api-invoice-lines"),
    path("charges", closes.Charges.as_view(), name="api-charges"),
    path(
        "charges/<uuid:charge_id>/explain",
        explaining.ChargeExplanation.as_view(),
        name="api-charge-explanation",
    ),
    path("month-previews", previews.MonthPreviews.as_view(), name="api-month-previews"),
    path("month-checklist", previews.MonthChecklist.as_view(), name="api-month-checklist"),
]
