"""Record gaps and the levels of each dimension, worked out by hand from the contract's text. As of 2032-06-30."""

from pathlib import Path

from .worked import night, only


def test_record_gaps(tmp_path: Path) -> None:
    # 364 days that end on 2032-06-30 begin on 2031-07-03.
    found = night(
        tmp_path,
        procedures="""
        procedure_id,visit_id,branch_id,performed_at,site,age_years,consent,lot_no,pack_expiry,article_id,practitioner_id,aftercare_given
        P1,V1,B1,2032-05-01T10:00,lobe,18,adult_self,l1,2032-05-01,K1,N1,both
        P2,V2,B1,2032-05-01T10:00,rook,17,missing,L9,,K9,N9,none
        P3,V3,B1,2032-05-01T10:00,helix,,,,,,,
        P4,V4,B1,2032-05-01T10:00,lobe,5,guardian_remote,L1,,K1,N2,leaflet
        P5,V5,B2,2032-05-01T10:00,lobe,40,adult_self,L1,,K1,N1,verbal
        P6,V6,B1,2031-07-02T10:00,rook,,,,,,,
        """,
        lots="""
        lot_no,branch_id,received_on,expires_on
        L1,B1,2031-01-01,2032-04-30
        L1,B1,2031-06-01,2034-01-01
        L1,,2031-01-01,2034-01-01
        """,
        articles="article_id\nK1\n",
        practitioners="practitioner_id,alias_of\nN1,\nN2,N1\n",
    )
    gaps = {(row["procedure_id"], row["gap"]) for row in found["record_gaps"]}
    assert gaps == {
        *(("P2", gap) for gap in ("site_not_allowed", "minor_without_guardian", "consent_missing", "lot_unknown")),
        *(("P2", gap) for gap in ("article_unknown", "practitioner_unknown", "aftercare_missing")),
        *(("P3", gap) for gap in ("age_missing", "consent_missing", "lot_missing", "practitioner_missing")),
        ("P3", "aftercare_missing"),
        ("P4", "pack_expired"),  # the branch's rows count, the earliest expiry of them; P1's own expiry comes first
    }  # P5's branch has no row of the lot: the chain's counts. P6 is a day too old.


def test_levels(tmp_path: Path) -> None:
    found = night(
        tmp_path,
        procedures="""
        procedure_id,visit_id,branch_id,performed_at,site,age_years,lot_no,article_id,practitioner_id
        P1,V1,B1,2032-05-01T10:00,upper_lobe,10,l1,K1,N3
        P2,V2,B1,2032-05-01T10:00,scapha,11,,K2,N4
        P3,V3,B1,2032-05-01T10:00,other,,,,
        P4,V4,B1,2032-05-01T10:00,other,,,,N6
        """,
        articles="article_id,material\nK1,Gold\n",
        practitioners="practitioner_id,alias_of\nN3,N2\nN2,N1\nN4,N5\nN5,N4\nN6,N5\n",
        sales="""
        sale_id,line_no,sold_at,branch_id,visit_id,product_id,batch_no,quantity,net_amount,line_type
        S1,1,2032-05-01T10:00,B1,V1,A1,b1,1,5,gift
        S1,2,2032-05-01T10:00,B1,V1,A1,b2,1,5,
        S1,3,2032-05-01T10:00,B1,V1,J1,b3,1,5,
        S2,1,2032-05-02T10:00,B1,V1,A1,b4,1,5,refund
        """,
        products="product_id,category\nA1,aftercare\nJ1,jewellery\n",
    )
    levels = {(row["dimension"], row["level"]) for row in found["complication_rates"]}
    assert levels == {
        *(("all", "all"), ("branch", "B1"), ("ear", "(missing)")),
        *(("site", "upper_lobe"), ("site", "scapha"), ("site", "other")),
        *(("site_group", "lobe"), ("site_group", "upper_cartilage"), ("site_group", "other")),
        *(("article", "K1"), ("article", "K2"), ("article", "(missing)")),
        *(("material", "gold"), ("material", "(missing)")),
        *(("practitioner", "N1"), ("practitioner", "N4"), ("practitioner", "N6"), ("practitioner", "(missing)")),
        *(("lot", "L1"), ("lot", "(missing)"), ("batch", "B1"), ("batch", "B2")),
        *(("age_band", "5-10"), ("age_band", "11-15"), ("age_band", "(missing)")),
        ("practitioner:site_group", "N1:lobe"),
        ("practitioner:site_group", "N4:upper_cartilage"),
        ("practitioner:site_group", "(missing):other"),
        ("practitioner:site_group", "N6:other"),
    }
    assert only(found["complication_rates"], complication="any", dimension="batch", level="B1")["procedures"] == 1
