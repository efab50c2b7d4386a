/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * The look of a page: paper. One column, black on white, colour only where it says something that
 * shape or words say too (Okabe and Ito 2008, from memory: blue, vermillion); dark where the reader
 * asked for that; printed always as on paper.
 */
#include "report/page.h"

#define LIGHT                                                                                      \
    "--first:#5f5f5f;--second:#0072b2;--mark:#d55e00;--band:#dcdcdc;--grid:#cfcfcf;"               \
    "--path:#bcdcf0;--paper:#fff;--ink:#000;--rule:#999"
#define DARK                                                                                       \
    "--first:#b0b0b0;--second:#56b4e9;--mark:#ff8f3a;--band:#454545;--grid:#505050;"               \
    "--path:#1d4f70;--paper:#161616;--ink:#ececec;--rule:#888"

const char cj__page_style[] =
    ":root{color-scheme:light dark;" LIGHT "}"
    "@media screen and (prefers-color-scheme:dark){:root{" DARK "}}"
    "body{color:var(--ink);background:var(--paper)}"
    "h1{font-weight:normal;font-size:12pt;margin:6mm 0 0}"
    "p.verdict{font-size:15pt;line-height:1.3;margin:1mm 0 3mm}"
    "h2{font-size:13pt;margin:8mm 0 1mm;break-after:avoid}"
    "h3{font-size:11pt;margin:6mm 0 1mm;break-after:avoid}"
    "td,th{border:0;border-bottom:0.5pt solid var(--rule);vertical-align:top}"
    "th{border-bottom:1pt solid var(--ink)}td:first-child,th:first-child{padding-left:0}"
    "td.n{white-space:nowrap}tr{break-inside:avoid}"
    "tr.bad td{font-weight:bold}"
    "table{break-inside:auto;font-size:10pt;margin:2mm 0}"
    "figure{margin:2mm 0 "
    "3mm;break-inside:avoid}figcaption{font-size:10pt;font-weight:bold}figure.stage "
    "figcaption{font-weight:normal}"
    "figure>svg{width:100%;height:auto;font-family:sans-serif}"
    "figure.stage>svg{width:auto;max-width:100%;font-size:12px;display:block}"
    "section{break-inside:auto}.pair{display:flex;gap:3mm}.pair figure{flex:1 1 0;min-width:0}"
    "small,.small{font-size:9pt}dl.origin{display:grid;grid-template-columns:max-content 1fr;"
    "gap:0 4mm;margin:1mm 0;font-size:10pt}dl.origin dt{margin:0}dl.origin dd{margin:0}"
    "svg .p{stroke:currentColor;stroke-width:1.5;fill:none}"
    "svg .s{stroke:var(--mark);stroke-width:3;fill:none}"
    "svg .w{stroke:var(--path);stroke-width:9;fill:none;stroke-linecap:round}"
    "svg .f{fill:currentColor;stroke:none}"
    "svg .r{stroke:var(--mark);stroke-width:2.5;fill:none}"
    "svg .b{fill:var(--mark);stroke:none}svg .bt{fill:#fff;font-weight:bold;font-size:11px}"
    "svg .pr{fill:var(--second);stroke:none}"
    "svg .n{font-size:10px;fill:currentColor}svg text{fill:currentColor}"
    ".legend{font-size:10pt;margin:1mm 0}.badge{display:inline-block;background:var(--mark);"
    "color:#fff;border-radius:50%;width:4.4mm;height:4.4mm;line-height:4.4mm;text-align:center;"
    "font-weight:bold;font-size:9pt}.band{background:var(--path);padding:0 1mm}"
    "svg.key{width:3mm;height:3mm}"
    ".finding{margin:2mm 0 2mm}.caution{border:1.5pt solid var(--ink);padding:1mm 3mm}"
    "a{color:inherit}"
    "@media print{body{max-width:none;padding:0;-webkit-print-color-adjust:exact;"
    "print-color-adjust:exact}}";
