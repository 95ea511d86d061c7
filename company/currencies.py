"""Currencies by their codes. Pure.

Source: codes and names of ISO 4217, from memory; precious metals, funds and test codes are left out.
"""

from __future__ import annotations

_LIST = """
AED dirham, UAE|AFN afghani|ALL lek|AMD dram|AOA kwanza|ARS peso, Argentina|AUD dollar, Australia|AWG florin, Aruba|
AZN manat, Azerbaijan|BAM convertible mark|BBD dollar, Barbados|BDT taka|BGN lev|BHD dinar, Bahrain|BIF franc, Burundi|
BMD dollar, Bermuda|BND dollar, Brunei|BOB boliviano|BRL real|BSD dollar, Bahamas|BTN ngultrum|BWP pula|BYN rouble, Belarus|
BZD dollar, Belize|CAD dollar, Canada|CDF franc, Congo|CHF franc, Switzerland|CLP peso, Chile|CNY yuan|COP peso, Colombia|
CRC colón, Costa Rica|CUP peso, Cuba|CVE escudo, Cabo Verde|CZK koruna, Czechia|DJF franc, Djibouti|DKK krone, Denmark|
DOP peso, Dominican Republic|DZD dinar, Algeria|EGP pound, Egypt|ERN nakfa|ETB birr|EUR euro|FJD dollar, Fiji|
FKP pound, Falkland Islands|GBP pound sterling|GEL lari|GHS cedi|GIP pound, Gibraltar|GMD dalasi|GNF franc, Guinea|
GTQ quetzal|GYD dollar, Guyana|HKD dollar, Hong Kong|HNL lempira|HTG gourde|HUF forint|IDR rupiah, Indonesia|
ILS new shekel|INR rupee, India|IQD dinar, Iraq|IRR rial, Iran|ISK króna, Iceland|JMD dollar, Jamaica|JOD dinar, Jordan|
JPY yen|KES shilling, Kenya|KGS som, Kyrgyzstan|KHR riel|KMF franc, Comoros|KPW won, North Korea|KRW won, South Korea|
KWD dinar, Kuwait|KYD dollar, Cayman Islands|KZT tenge|LAK kip|LBP pound, Lebanon|LKR rupee, Sri Lanka|
LRD dollar, Liberia|LSL loti|LYD dinar, Libya|MAD dirham, Morocco|MDL leu, Moldova|MGA ariary|MKD denar|MMK kyat|MNT tugrik|
MOP pataca|MRU ouguiya|MUR rupee, Mauritius|MVR rufiyaa|MWK kwacha, Malawi|MXN peso, Mexico|MYR ringgit|MZN metical|
NAD dollar, Namibia|NGN naira|NIO córdoba|NOK krone, Norway|NPR rupee, Nepal|NZD dollar, New Zealand|OMR rial, Oman|
PAB balboa|PEN sol|PGK kina|PHP peso, Philippines|PKR rupee, Pakistan|PLN złoty|PYG guaraní|QAR rial, Qatar|RON leu, Romania|
RSD dinar, Serbia|RUB rouble, Russia|RWF franc, Rwanda|SAR riyal|SBD dollar, Solomon Islands|SCR rupee, Seychelles|
SDG pound, Sudan|SEK krona, Sweden|SGD dollar, Singapore|SHP pound, Saint Helena|SLE leone|SOS shilling, Somalia|
SRD dollar, Suriname|SSP pound, South Sudan|STN dobra|SYP pound, Syria|SZL lilangeni|THB baht|TJS somoni|
TMT manat, Turkmenistan|TND dinar, Tunisia|TOP paʻanga|TRY lira, Türkiye|TTD dollar, Trinidad and Tobago|
TWD dollar, Taiwan|TZS shilling, Tanzania|UAH hryvnia|UGX shilling, Uganda|USD dollar, USA|UYU peso, Uruguay|
UZS som, Uzbekistan|VES bolívar|VND dong|VUV vatu|WST tala|XAF franc, Central Africa|XCD dollar, East Caribbean|
XOF franc, West Africa|XPF franc, Pacific|YER rial, Yemen|ZAR rand|ZMW kwacha, Zambia
"""

CURRENCIES: dict[str, str] = dict(
    part.strip().split(" ", 1)
    for part in _LIST.replace("\n", "").split("|")
    if part.strip()  # type: ignore[misc]
)
"""Code to name, sorted by code."""
