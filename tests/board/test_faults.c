/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Faults as written on a command line, and back. */
#include "failing.h"
#include "tests.h"

static void same_text(const char *label, const char *got, const char *want)
{
    if (strcmp(got, want) != 0)
        fail_msg("%s: got \"%s\", want \"%s\"", label, got, want);
}

static void faults_are_read_and_written_the_same(void **state)
{
    static const struct {
        const char *text;
        cj_fault_kind kind;
        const char *part;
        int pin, pin2;
        double value;
        const char *other, *rail, *figure, *role;
        int with; /* kind of the second, -1: none */
    } cases[] = {
        {"open-pin:U1:7", CJ_FAULT_OPEN_PIN, "U1", 7, 0, NAN, "", "", "", "", -1},
        {"bridge:U1:1-2", CJ_FAULT_BRIDGE, "U1", 1, 2, NAN, "", "", "", "", -1},
        {"shorted:C3", CJ_FAULT_SHORTED, "C3", 0, 0, NAN, "", "", "", "", -1},
        {"wrong-value:R22=10k", CJ_FAULT_WRONG_VALUE, "R22", 0, 0, 10e3, "", "", "", "", -1},
        {"wrong-value:C3=4n7", CJ_FAULT_WRONG_VALUE, "C3", 0, 0, 4.7e-9, "", "", "", "", -1},
        {"wrong-value:R22", CJ_FAULT_WRONG_VALUE, "R22", 0, 0, NAN, "", "", "", "", -1},
        {"swapped:R1-R2", CJ_FAULT_SWAPPED, "R1", 0, 0, NAN, "R2", "", "", "", -1},
        {"reversed:RV1", CJ_FAULT_REVERSED, "RV1", 0, 0, NAN, "", "", "", "", -1},
        {"at-rail:U1:7=v+", CJ_FAULT_AT_RAIL, "U1", 7, 0, NAN, "", "v+", "", "", -1},
        {"at-rail:U1:7", CJ_FAULT_AT_RAIL, "U1", 7, 0, NAN, "", "", "", "", -1},
        {"weak:U1:7=offset", CJ_FAULT_WEAK, "U1", 7, 0, NAN, "", "", "offset", "", -1},
        {"unpowered:v-", CJ_FAULT_UNPOWERED, "", 0, 0, NAN, "", "v-", "", "", -1},
        {"outside:hum loop, cable + chassis", CJ_FAULT_OUTSIDE, "", 0, 0, NAN, "", "", "",
         "hum loop, cable + chassis", -1},
        {"outside", CJ_FAULT_OUTSIDE, "", 0, 0, NAN, "", "", "", "", -1},
        {"shorted:C3+open-pin:U1:7", CJ_FAULT_SHORTED, "C3", 0, 0, NAN, "", "", "", "",
         CJ_FAULT_OPEN_PIN},
        {"unpowered:v++at-rail:U1:1=v-", CJ_FAULT_UNPOWERED, "", 0, 0, NAN, "", "v+", "", "",
         CJ_FAULT_AT_RAIL},
        {"at-rail:U1:1=v++unpowered:v+", CJ_FAULT_AT_RAIL, "U1", 1, 0, NAN, "", "v+", "", "",
         CJ_FAULT_UNPOWERED},
        {"outside:supply+outside", CJ_FAULT_OUTSIDE, "", 0, 0, NAN, "", "", "", "supply",
         CJ_FAULT_OUTSIDE},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const char *label = cases[i].text;
        cj_fault fault;
        cj_text back = {0};
        cj_error err = {0};
        if (cj_fault_read(label, &fault, &err) != CJ_OK)
            fail_msg("%s: %s", label, err.message);
        assert_int_equal(fault.kind, cases[i].kind);
        same_text(label, fault.part, cases[i].part);
        assert_int_equal(fault.pin, cases[i].pin);
        assert_int_equal(fault.pin2, cases[i].pin2);
        if (isnan(cases[i].value))
            assert_true(isnan(fault.value));
        else
            check_ratio(label, fault.value, cases[i].value, 1e-15);
        assert_true(isnan(fault.low) && isnan(fault.high));
        same_text(label, fault.other, cases[i].other);
        same_text(label, fault.rail, cases[i].rail);
        same_text(label, fault.figure, cases[i].figure);
        same_text(label, fault.role, cases[i].role);
        assert_int_equal(fault.with ? (int)fault.with->kind : -1, cases[i].with);
        cj_fault_text(&fault, &back);
        same_text(label, back.bytes, label);
        cj_text_free(&back);
        cj_fault_clear(&fault);
        assert_null(fault.with);
    }
}

static void values_keep_their_digits(void **state)
{
    static const struct {
        const char *text, *back;
    } cases[] = {{"wrong-value:R1=9876", "wrong-value:R1=9876"},
                 {"wrong-value:R1=10000", "wrong-value:R1=10k"},
                 {"wrong-value:R1=10 kohm", "wrong-value:R1=10k"},
                 {"wrong-value:C1=22pF", "wrong-value:C1=22p"},
                 {"wrong-value:R1=0.00047", "wrong-value:R1=470u"}};
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_fault fault;
        cj_text back = {0};
        assert_int_equal(cj_fault_read(cases[i].text, &fault, NULL), CJ_OK);
        cj_fault_text(&fault, &back);
        same_text(cases[i].text, back.bytes, cases[i].back);
        cj_text_free(&back);
    }
}

static void what_is_no_fault_is_refused(void **state)
{
    static const struct {
        const char *text, *message;
    } cases[] = {
        {"", "'' is no fault; expected KIND:REF and so on, KIND one of open-pin, bridge, shorted"},
        {"open-pin", "expected open-pin:REF:PIN, like open-pin:U1:7"},
        {"open-pin:U1", "expected open-pin:REF:PIN"},
        {"open-pin:U1:0", "expected open-pin:REF:PIN"},
        {"open-pin:U1:1000", "expected open-pin:REF:PIN"},
        {"open-pin:U1:7x", "expected open-pin:REF:PIN"},
        {"open-pin:U1:7=v+", "expected open-pin:REF:PIN"},
        {"open_pin:U1:7", "did you mean 'open-pin'?"},
        {"Bridge:U1:1-2", "did you mean 'bridge'?"},
        {"bridge:U1:1", "expected bridge:REF:PIN-PIN"},
        {"bridge:U1:1-1", "expected bridge:REF:PIN-PIN"},
        {"melted:U1",
         "KIND one of open-pin, bridge, shorted, wrong-value, swapped, reversed, at-rail"},
        {"wrong-value:R1=", "expected wrong-value:REF=VALUE"},
        {"wrong-value:R1=-5", "expected wrong-value:REF=VALUE"},
        {"wrong-value:R1=0", "expected wrong-value:REF=VALUE"},
        {"wrong-value:R1=nan", "expected wrong-value:REF=VALUE"},
        {"wrong-value:R1=10 V", "expected wrong-value:REF=VALUE"},
        {"swapped:R1", "expected swapped:REF-REF"},
        {"swapped:R1-R1", "expected swapped:REF-REF"},
        {"at-rail:U1:7=v", "expected at-rail:REF:PIN=RAIL"},
        {"weak:U1:7=noise", "the figure one of offset, gbw, slew, swing, gain, bias"},
        {"unpowered:vcc", "expected unpowered:RAIL"},
        {"outside:", "expected outside:ROLE"},
        {"shorted:a-reference-that-is-far-too-long", "expected shorted:REF"},
        {"shorted:R1+shorted:R2+shorted:R3", "two at once at the most"},
        {"shorted:R1+melted:R2", "expected shorted:REF"},
        {"+shorted:R1", "is no fault"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        cj_fault fault = cj_fault_none(CJ_FAULT_BRIDGE);
        cj_error err = {0};
        if (cj_fault_read(cases[i].text, &fault, &err) != CJ_DATA)
            fail_msg("%s: not refused", cases[i].text);
        check_holds(cases[i].text, err.message, cases[i].message);
        assert_int_equal(fault.kind, CJ_FAULT_BRIDGE); /* left alone */
    }
    char *long_text = malloc(5001);
    assert_non_null(long_text);
    memset(long_text, 'x', 5000);
    long_text[5000] = '\0';
    cj_fault fault;
    assert_int_equal(cj_fault_read(long_text, &fault, NULL), CJ_DATA);
    free(long_text);
}

static void copies_are_deep(void **state)
{
    cj_fault fault, copy;
    (void)state;
    assert_int_equal(cj_fault_read("shorted:C3+open-pin:U1:7", &fault, NULL), CJ_OK);
    assert_true(cj_fault_copy(&copy, &fault));
    assert_ptr_not_equal(copy.with, fault.with);
    cj_fault_clear(&fault);
    assert_string_equal(copy.with->part, "U1");
    cj_fault_clear(&copy);
    cj_fault_clear(NULL);
}

static void every_kind_has_its_word(void **state)
{
    (void)state;
    assert_string_equal(cj_fault_word(CJ_FAULT_OPEN_PIN), "open-pin");
    assert_string_equal(cj_fault_word(CJ_FAULT_OUTSIDE), "outside");
    assert_string_equal(cj_fault_word((cj_fault_kind)99), "outside");
    assert_string_equal(cj_part_word(CJ_OPAMP), "opamp");
    assert_string_equal(cj_part_word((cj_part_kind)99), "part");
}

static cj_status read_and_copy(void *user, cj_error *err)
{
    cj_fault fault, copy;
    cj_status status = cj_fault_read(user, &fault, err);
    if (status != CJ_OK)
        return status;
    if (cj_fault_copy(&copy, &fault))
        cj_fault_clear(&copy);
    else
        status = cj_fail_memory(err);
    cj_fault_clear(&fault);
    return status;
}

static void memory_runs_out_anywhere(void **state)
{
    (void)state;
    assert_int_equal(failing_each("fault", read_and_copy, (void *)"shorted:C3+open-pin:U1:7"), 2);
}

int run_fault_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(faults_are_read_and_written_the_same),
        cmocka_unit_test(values_keep_their_digits),
        cmocka_unit_test(what_is_no_fault_is_refused),
        cmocka_unit_test(copies_are_deep),
        cmocka_unit_test(every_kind_has_its_word),
        cmocka_unit_test(memory_runs_out_anywhere),
    };
    return cmocka_run_group_tests_name("faults", tests, NULL, NULL);
}
