"""The API's addresses of billing, under /api/v1/."""

from django.urls import path

from billing import api

urlpatterns = [
    path("price-items", api.PriceItems.as_view(), name="api-price-items"),
    path("price-items/<str:code>/prices", api.PriceItemPrices.as_view(), name="api-price-item-prices"),
    path("month-closes", api.MonthCloses.as_view(), name="api-month-closes"),
    path("invoices", api.Invoices.as_view(), name="api-invoices"),
    path("invoices/<str:number>", api.InvoiceDoor.as_view(), name="api-invoice"),
    path("invoices/<str:number>/lines", api.InvoiceLines.as_view(), name="api-invoice-lines"),
    path("charges", api.Charges.as_view(), name="api-charges"),
]
