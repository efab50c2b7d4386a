/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Pages from the log: of one unit, or a folder of all. */
#include "cli.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <unistd.h>

/* What a good unit of a board file reads is computed once and used for all its units. */
struct boards {
    char sha256[65];
    cj_board *board;
    cj_study *healthy;
};

static void boards_free(struct boards *boards)
{
    cj_study_free(boards->healthy);
    cj_board_free(boards->board);
    *boards = (struct boards){0};
}

static cj_status boards_take(struct boards *boards, const cj_run *run, cj_error *err)
{
    if (boards->board != NULL && strcmp(boards->sha256, run->board_sha256) == 0)
        return CJ_OK;
    boards_free(boards);
    cj_errors errors = {0};
    cj_status status = cj_board_read_text("the board file in the log", run->board_text,
                                          strlen(run->board_text), &boards->board, &errors);
    if (status != CJ_OK)
        return errors.count > 0 ? cj_fail(err, status, NULL, 0, 0, "run %.8s: %s", run->head.uuid,
                                          errors.items[0].message)
                                : cj_fail(err, status, NULL, 0, 0, "%s", cj_status_text(status));
    memcpy(boards->sha256, run->board_sha256, sizeof boards->sha256);
    return cj_study_healthy(boards->board, &boards->healthy, err);
}

/* ---- captures of a run ---- */

struct traces {
    cj_page_capture *items;
    char **names;
    size_t count;
    int *files; /* kept captures, in memory */
    size_t file_count;
    cj_lines remarks;
};

static void traces_free(struct traces *traces)
{
    for (size_t i = 0; i < traces->count; i++) {
        cj_capture_free(traces->items[i].capture);
        cj_free(traces->names[i]);
    }
    for (size_t i = 0; i < traces->file_count; i++)
        close(traces->files[i]);
    cj_free(traces->items);
    cj_free(traces->names);
    cj_free(traces->files);
    cj_lines_free(&traces->remarks);
}

/* Bytes that the log keeps, as a file in memory; adds its name to `name`. */
static cj_status add_kept(cj_log *log, const cj_logged_capture *capture, struct traces *traces,
                          cj_text *name, cj_error *err)
{
    unsigned char *bytes = NULL;
    size_t count = 0, done = 0;
    cj_status status = cj_log_kept(log, capture->sha256, &bytes, &count, err);
    if (status != CJ_OK)
        return status;
    int file = memfd_create("capture", MFD_CLOEXEC);
    if (file >= 0)
        traces->files[traces->file_count++] = file;
    while (file >= 0 && done < count) {
        ssize_t step = write(file, bytes + done, count - done);
        if (step < 0 && errno == EINTR)
            continue;
        if (step <= 0)
            break;
        done += (size_t)step;
    }
    cj_free(bytes);
    if (file < 0 || done < count)
        return cj_fail(err, CJ_IO, NULL, 0, 0, "no memory for a capture: %s", strerror(errno));
    cj_text_add(name, "%s/proc/self/fd/%d", name->length ? "+" : "", file);
    return CJ_OK;
}

/* The files are still those that were measured. */
static bool unchanged(cj_capture *capture, const cj_logged_capture *const files[2], int count)
{
    for (int i = 0; i < count; i++) {
        char hex[65];
        if (cj_capture_digest(capture, i, hex, NULL) != CJ_OK || strcmp(hex, files[i]->sha256) != 0)
            return false;
    }
    return true;
}

/* FILE+FILE is two rows of one step; so are two captures of a step, of two channels each. */
static cj_status open_trace(const struct request *request, cj_log *log, const cj_step *step,
                            const cj_logged_capture *const files[2], int count,
                            struct traces *traces, cj_error *err)
{
    cj_page_capture *out = &traces->items[traces->count];
    cj_capture_options how = request->capture;
    cj_text name = {0}, shown = {0};
    cj_error why = {0};
    cj_status status = CJ_OK;
    bool kept = files[0]->kept && (count == 1 || files[1]->kept);
    if (step->see_count == 1)
        how.channels[1] = 0;
    for (int i = 0; status == CJ_OK && i < count; i++) {
        cj_text_add(&shown, "%s%s", i ? "+" : "", files[i]->path);
        if (kept)
            status = add_kept(log, files[i], traces, &name, err);
        else
            cj_text_add(&name, "%s%s", i ? "+" : "", files[i]->path);
    }
    if (status == CJ_OK && (name.failed || shown.failed))
        status = cj_fail_memory(err);
    if (status == CJ_OK && cj_capture_open(name.bytes, &how, &out->capture, &why) != CJ_OK &&
        count == 1)
        status = cj_lines_add(&traces->remarks, "Step %s: no curves, %s: %s", step->name,
                              shown.bytes, why.message);
    if (out->capture != NULL && !kept && !unchanged(out->capture, files, count)) {
        status = cj_lines_add(&traces->remarks,
                              "Step %s: no curves, %s is no longer the file that was measured",
                              step->name, shown.bytes);
        cj_capture_free(out->capture);
        out->capture = NULL;
    }
    cj_text_free(&name);
    if (status != CJ_OK || (count == 2 && out->capture == NULL && why.status != CJ_OK)) {
        cj_text_free(&shown);
        return status;
    }
    traces->names[traces->count] = shown.bytes;
    out->name = shown.bytes;
    traces->count++;
    return CJ_OK;
}

static cj_status traces_open(const struct request *request, cj_log *log, const cj_board *board,
                             const cj_run *run, struct traces *out, cj_error *err)
{
    cj_status status = CJ_OK;
    out->items = cj_new(run->capture_count + 1, sizeof *out->items);
    out->names = cj_new(run->capture_count + 1, sizeof *out->names);
    out->files = cj_new(2 * run->capture_count + 1, sizeof *out->files);
    if (out->items == NULL || out->names == NULL || out->files == NULL)
        return cj_fail_memory(err);
    for (size_t i = 0; status == CJ_OK && i < run->capture_count; i++) {
        const cj_logged_capture *files[2] = {&run->captures[i], NULL};
        int step = cj_board_step(board, files[0]->step);
        size_t before = out->count;
        if (step < 0)
            continue;
        out->items[before].step = (size_t)step;
        if (i + 1 < run->capture_count && strcmp(run->captures[i + 1].step, files[0]->step) == 0) {
            files[1] = &run->captures[i + 1];
            status = open_trace(request, log, &board->steps[step], files, 2, out, err);
            i += out->count > before;
        }
        if (status == CJ_OK && out->count == before)
            status = open_trace(request, log, &board->steps[step], files, 1, out, err);
    }
    return status;
}

/* ---- one unit ---- */

static cj_status make_page(const struct request *request, cj_log *log, struct boards *boards,
                           const char *uuid, cj_text *out, cj_error *err)
{
    struct traces traces = {0};
    cj_run *run = NULL;
    cj_repair *repairs = NULL;
    size_t repair_count = 0;
    cj_status status = cj_log_run(log, uuid, &run, err);
    if (status == CJ_OK)
        status = boards_take(boards, run, err);
    if (status == CJ_OK)
        status = cj_log_repairs(log, run->head.board, run->head.unit, &repairs, &repair_count, err);
    if (status == CJ_OK)
        status = traces_open(request, log, boards->board, run, &traces, err);
    if (status == CJ_OK) {
        cj_run_page page = {.run = run,
                            .repairs = repairs,
                            .repair_count = repair_count,
                            .board = boards->board,
                            .healthy = boards->healthy,
                            .captures = traces.items,
                            .capture_count = traces.count,
                            .remarks = &traces.remarks};
        status = cj_report_run_page(&page, out, err);
    }
    traces_free(&traces);
    cj_repairs_free(repairs, repair_count);
    cj_run_free(run);
    return status;
}

cj_status report_unit(const struct request *request, cj_error *err)
{
    const char *unit = request->log_texts[LOG_UNIT];
    struct boards boards = {0};
    cj_log *log = NULL;
    char *board = NULL;
    cj_run_head *heads = NULL;
    size_t count = 0;
    cj_text answer = {0};
    cj_status status = log_open(request, CJ_LOG_READ, &log, err);
    if (status == CJ_OK)
        status = cj_log_board_of(log, unit, request->log_texts[LOG_BOARD], &board, err);
    const cj_log_filter filter = {.unit = unit, .board = board, .latest = true};
    if (status == CJ_OK)
        status = cj_log_list(log, &filter, &heads, &count, err);
    if (status == CJ_OK && count == 0)
        status = cj_fail(err, CJ_USAGE, NULL, 0, 0, "every run of unit '%.100s' is void", unit);
    if (status == CJ_OK)
        status = make_page(request, log, &boards, heads[0].uuid, &answer, err);
    if (status == CJ_OK)
        status = output_write(request, &answer, err);
    cj_text_free(&answer);
    boards_free(&boards);
    cj_run_heads_free(heads, count);
    cj_free(board);
    cj_log_close(log);
    return status;
}

/* ---- all of them ---- */

struct folder {
    const struct request *request;
    cj_log *log;
    cj_run_head *heads;
    cj_index_row *rows;
    char **files;
    size_t count;
    cj_index *boards;
    cj_batch_log **batches;
    size_t board_count;
};

static void folder_free(struct folder *folder)
{
    for (size_t i = 0; folder->files != NULL && i < folder->count; i++)
        cj_free(folder->files[i]);
    for (size_t i = 0; folder->batches != NULL && i < folder->board_count; i++)
        cj_batch_log_free(folder->batches[i]);
    cj_free(folder->files);
    cj_free(folder->rows);
    cj_free(folder->boards);
    cj_free(folder->batches);
    cj_run_heads_free(folder->heads, folder->count);
}

/* What is safe in any file system, of the serial number, then the run's first digits: no two alike.
 */
static char *file_name(const cj_run_head *head)
{
    cj_text name = {0};
    cj_text_add(&name, "unit-");
    for (const char *at = head->unit; *at && name.length < 48; at++) {
        bool plain = (*at >= '0' && *at <= '9') || (*at >= 'a' && *at <= 'z') ||
                     (*at >= 'A' && *at <= 'Z') || *at == '-' || *at == '_';
        cj_text_add_n(&name, plain ? at : "_", 1);
    }
    cj_text_add(&name, "-%.8s.html", head->uuid);
    if (name.failed)
        cj_text_free(&name);
    return name.bytes;
}

static cj_status write_file(const struct folder *folder, const char *name, const cj_text *text,
                            cj_error *err)
{
    struct request own = *folder->request;
    cj_text path = {0};
    cj_text_add(&path, "%s/%s", folder->request->output, name);
    own.output = path.bytes;
    cj_status status = path.failed ? cj_fail_memory(err) : output_write(&own, text, err);
    cj_text_free(&path);
    return status;
}

/* What a worker says of each page: small enough for a pipe to take it whole. */
struct news {
    cj_status status;
    cj_error err;
};

/* Every workers-th unit from `first` on, with a log and boards of its own. */
static void work(const struct folder *folder, size_t first, size_t workers, int pipe)
{
    struct boards boards = {0};
    cj_log *log = NULL;
    struct news news = {.status = CJ_OK};
    news.status = log_open(folder->request, CJ_LOG_READ, &log, &news.err);
    for (size_t i = first; news.status == CJ_OK && i < folder->count; i += workers) {
        cj_text page = {0};
        news.status =
            make_page(folder->request, log, &boards, folder->heads[i].uuid, &page, &news.err);
        if (news.status == CJ_OK)
            news.status = write_file(folder, folder->files[i], &page, &news.err);
        cj_text_free(&page);
        if (news.status == CJ_OK && write(pipe, &news, sizeof news) != (ssize_t)sizeof news)
            break;
    }
    if (news.status != CJ_OK && write(pipe, &news, sizeof news) < 0)
        news.status = CJ_IO; /* nobody listens any more */
    boards_free(&boards);
    cj_log_close(log);
}

static size_t worker_count(size_t units)
{
    enum { MOST = 8, FEW = 4 /* units that one process has done before another has started */ };
    long processors = sysconf(_SC_NPROCESSORS_ONLN);
    size_t count = processors > 1 ? (size_t)processors : 1;
    count = count < MOST ? count : MOST;
    return units < FEW ? 1 : count < units ? count : units;
}

/* Pages until every worker is done or one has failed; its error becomes ours. */
static cj_status listen(const struct folder *folder, int pipe, cj_error *err)
{
    struct progress progress = progress_start(folder->request, 0, 1);
    struct news news;
    size_t done = 0;
    cj_status status = CJ_OK;
    for (;;) {
        ssize_t got = read(pipe, &news, sizeof news);
        if (got < 0 && errno == EINTR)
            continue;
        if (got != (ssize_t)sizeof news)
            break;
        if (news.status != CJ_OK) {
            status = news.status;
            *err = news.err;
            break;
        }
        progress_show(&progress, (double)++done / (double)folder->count);
    }
    progress_clear(&progress);
    if (status == CJ_OK && done < folder->count)
        status = cj_fail(err, CJ_BUG, NULL, 0, 0, "%zu of %zu pages were not written",
                         folder->count - done, folder->count);
    return status;
}

/* Pages are made by as many processes as there are processors: each page is a run of gnuplot and
 * some arithmetic. */
static cj_status write_units(const struct folder *folder, cj_error *err)
{
    size_t workers = worker_count(folder->count), started = 0;
    pid_t children[8];
    int ends[2];
    if (pipe2(ends, O_CLOEXEC) != 0)
        return cj_fail(err, CJ_IO, NULL, 0, 0, "no pipe: %s", strerror(errno));
    cj_status status = CJ_OK;
    for (; status == CJ_OK && started < workers; started++) {
        children[started] = fork();
        if (children[started] == 0) {
            close(ends[0]);
            work(folder, started, workers, ends[1]);
            _exit(0);
        }
        if (children[started] < 0) {
            status =
                cj_fail(err, CJ_IO, NULL, 0, 0, "no process for the pages: %s", strerror(errno));
            break;
        }
    }
    close(ends[1]);
    if (status == CJ_OK)
        status = listen(folder, ends[0], err);
    close(ends[0]); /* who still works finds nobody listening and ends */
    for (size_t i = 0; i < started; i++)
        while (waitpid(children[i], NULL, 0) < 0 && errno == EINTR)
            ;
    return status;
}

/* heads come newest first, boards mixed; the rows of a board lie together, oldest first. */
static cj_status sort_out(struct folder *folder, const cj_logged_board *logged, size_t count,
                          cj_error *err)
{
    size_t next = 0;
    cj_status status = CJ_OK;
    for (size_t b = 0; status == CJ_OK && b < count; b++) {
        size_t from = next;
        for (size_t i = folder->count; i-- > 0;)
            if (strcmp(folder->heads[i].board, logged[b].name) == 0)
                folder->rows[next++] =
                    (cj_index_row){.head = &folder->heads[i], .file = folder->files[i]};
        if (next == from)
            continue;
        cj_batch_choice choice = {.board = logged[b].name};
        size_t k = folder->board_count++;
        status = cj_log_batch(folder->log, &choice, &folder->batches[k], err);
        folder->boards[k] = (cj_index){.board = logged[b].name,
                                       .title = logged[b].title,
                                       .rows = &folder->rows[from],
                                       .row_count = next - from,
                                       .batch = folder->batches[k]};
    }
    return status;
}

static cj_status write_index(struct folder *folder, cj_error *err)
{
    cj_logged_board *logged = NULL;
    size_t count = 0;
    cj_text index = {0};
    cj_status status = cj_log_boards(folder->log, &logged, &count, err);
    folder->boards = cj_new(count + 1, sizeof *folder->boards);
    folder->batches = cj_new(count + 1, sizeof(cj_batch_log *));
    if (status == CJ_OK && (folder->boards == NULL || folder->batches == NULL))
        status = cj_fail_memory(err);
    if (status == CJ_OK)
        status = sort_out(folder, logged, count, err);
    if (status == CJ_OK)
        status = cj_report_index(folder->boards, folder->board_count, &index, err);
    if (status == CJ_OK)
        status = write_file(folder, "index.html", &index, err);
    cj_text_free(&index);
    cj_logged_boards_free(logged, count);
    return status;
}

cj_status report_all(const struct request *request, cj_error *err)
{
    struct folder folder = {.request = request};
    const cj_log_filter filter = {.board = request->log_texts[LOG_BOARD], .latest = true};
    cj_status status = log_open(request, CJ_LOG_READ, &folder.log, err);
    if (status == CJ_OK)
        status = cj_log_list(folder.log, &filter, &folder.heads, &folder.count, err);
    cj_log_close(folder.log); /* a connection does not live through a fork */
    folder.log = NULL;
    if (status == CJ_OK && folder.count == 0)
        status = cj_fail(err, CJ_NOINPUT, NULL, 0, 0, "the log has no unit to show");
    if (status == CJ_OK)
        status = output_folder(request->output, err);
    folder.rows = cj_new(folder.count + 1, sizeof *folder.rows);
    folder.files = cj_new(folder.count + 1, sizeof(char *));
    if (status == CJ_OK && (folder.rows == NULL || folder.files == NULL))
        status = cj_fail_memory(err);
    for (size_t i = 0; status == CJ_OK && i < folder.count; i++)
        if ((folder.files[i] = file_name(&folder.heads[i])) == NULL)
            status = cj_fail_memory(err);
    if (status == CJ_OK)
        status = write_units(&folder, err);
    if (status == CJ_OK)
        status = log_open(request, CJ_LOG_READ, &folder.log, err);
    if (status == CJ_OK) /* last: where it is, all pages are */
        status = write_index(&folder, err);
    folder_free(&folder);
    cj_log_close(folder.log);
    return status;
}
