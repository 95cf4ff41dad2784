/* A disk that loses power, or fails once, for the program it is preloaded into (LD_PRELOAD).
 *
 * It looks at the files under POWER_FOLDER, but for the write-ahead log's index (-shm), which nobody expects to last.
 * What was written since a file's last fsync is remembered, with what was there at that fsync. At the POWER_CUT_AT-th
 * write, truncation or fsync every file gets what was durable and then, by the dice of POWER_SEED, none, all or some
 * of what was not, single writes torn at a sector; then the process dies.
 *
 * power_fail_at(n) lets the n-th of these operations from now fail with EIO, once; power_operations() counts them.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <unistd.h>

enum { SECTOR = 512, MOST_FILES = 64 };

struct change {
    struct change *next;
    off_t at; /* of a write; the new length of a truncation */
    size_t length;
    unsigned char *bytes; /* NULL for a truncation */
};

struct file {
    char path[512];
    unsigned char *durable;
    size_t length;
    struct change *first, *last;
};

static struct file files[MOST_FILES];
static int file_count;
static long operations, cut_at, fail_at;
static unsigned long long dice;
static char folder[512];
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static pthread_once_t once = PTHREAD_ONCE_INIT;

static ssize_t (*real_pwrite)(int, const void *, size_t, off_t);
static ssize_t (*real_write)(int, const void *, size_t);
static int (*real_ftruncate)(int, off_t);
static int (*real_fsync)(int);
static int (*real_fdatasync)(int);
static int (*real_unlink)(const char *);

static void begin(void)
{
    real_pwrite = dlsym(RTLD_NEXT, "pwrite64");
    real_write = dlsym(RTLD_NEXT, "write");
    real_ftruncate = dlsym(RTLD_NEXT, "ftruncate64");
    real_fsync = dlsym(RTLD_NEXT, "fsync");
    real_fdatasync = dlsym(RTLD_NEXT, "fdatasync");
    real_unlink = dlsym(RTLD_NEXT, "unlink");
    const char *where = getenv("POWER_FOLDER"), *cut = getenv("POWER_CUT_AT"), *seed = getenv("POWER_SEED");
    snprintf(folder, sizeof folder, "%s", where ? where : "");
    cut_at = cut ? atol(cut) : 0;
    dice = seed ? strtoull(seed, NULL, 10) * 2654435761ULL + 1 : 1;
}

static unsigned throw_dice(unsigned sides)
{
    dice = dice * 6364136223846793005ULL + 1442695040888963407ULL;
    return (unsigned)(dice >> 33) % sides;
}

/* The file behind a descriptor, or NULL where it is none of ours. What it holds when first seen counts as durable. */
static struct file *watched(int fd)
{
    char link[64], path[512];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (!folder[0] || length <= 0)
        return NULL;
    path[length] = 0;
    if (strncmp(path, folder, strlen(folder)) || (length > 4 && !strcmp(path + length - 4, "-shm")))
        return NULL;
    for (int i = 0; i < file_count; i++)
        if (!strcmp(files[i].path, path))
            return &files[i];
    if (file_count == MOST_FILES)
        abort();
    struct file *file = &files[file_count++];
    memset(file, 0, sizeof *file);
    snprintf(file->path, sizeof file->path, "%s", path);
    struct stat about;
    int reading = open(path, O_RDONLY | O_CLOEXEC);
    if (reading >= 0 && !fstat(reading, &about)) {
        file->durable = malloc(about.st_size + 1);
        ssize_t got = pread(reading, file->durable, about.st_size, 0);
        file->length = got > 0 ? (size_t)got : 0;
    }
    if (reading >= 0)
        close(reading);
    return file;
}

static void remember(struct file *file, off_t at, const void *bytes, size_t length)
{
    struct change *change = calloc(1, sizeof *change);
    change->at = at;
    change->length = length;
    if (bytes) {
        change->bytes = malloc(length + 1);
        memcpy(change->bytes, bytes, length);
    }
    if (file->last)
        file->last->next = change;
    else
        file->first = change;
    file->last = change;
}

static void resize(struct file *file, size_t length)
{
    file->durable = realloc(file->durable, length + 1);
    if (length > file->length)
        memset(file->durable + file->length, 0, length - file->length);
    file->length = length;
}

static void apply(struct file *file, const struct change *change, size_t length)
{
    if (!change->bytes) {
        resize(file, change->at);
        return;
    }
    if (change->at + length > file->length)
        resize(file, change->at + length);
    memcpy(file->durable + change->at, change->bytes, length);
}

static void settle(struct file *file)
{
    for (struct change *change = file->first; change;) {
        struct change *next = change->next;
        apply(file, change, change->length);
        free(change->bytes);
        free(change);
        change = next;
    }
    file->first = file->last = NULL;
}

static void cut_the_power(void)
{
    unsigned survives = (unsigned[]){0, 30, 60, 90, 100}[throw_dice(5)]; /* per cent of what was not synced */
    for (int i = 0; i < file_count; i++) {
        struct file *file = &files[i];
        for (struct change *change = file->first; change; change = change->next)
            if (throw_dice(100) < survives) {
                size_t length = change->length;
                if (change->bytes && length > SECTOR && throw_dice(4) == 0)
                    length = SECTOR * (1 + throw_dice(length / SECTOR));
                apply(file, change, length > change->length ? change->length : length);
            }
        int writing = open(file->path, O_WRONLY | O_CLOEXEC);
        if (writing < 0)
            continue;
        if (real_ftruncate(writing, file->length))
            abort();
        for (size_t done = 0; done < file->length;) {
            ssize_t wrote = real_pwrite(writing, file->durable + done, file->length - done, done);
            if (wrote <= 0)
                abort();
            done += wrote;
        }
        close(writing);
    }
    kill(getpid(), SIGKILL);
    for (;;)
        pause();
}

/* Count an operation on one of our files; whether it is to fail. */
static int fails(void)
{
    operations++;
    if (cut_at && operations == cut_at)
        cut_the_power();
    if (fail_at && operations == fail_at) {
        errno = EIO;
        return 1;
    }
    return 0;
}

void power_fail_at(long n)
{
    pthread_once(&once, begin);
    pthread_mutex_lock(&lock);
    fail_at = n ? operations + n : 0;
    pthread_mutex_unlock(&lock);
}

long power_operations(void)
{
    return operations;
}

ssize_t pwrite64(int fd, const void *bytes, size_t length, off_t at)
{
    pthread_once(&once, begin);
    pthread_mutex_lock(&lock);
    struct file *file = watched(fd);
    ssize_t wrote = -1;
    if (!file || !fails()) {
        wrote = real_pwrite(fd, bytes, length, at);
        if (file && wrote > 0)
            remember(file, at, bytes, wrote);
    }
    pthread_mutex_unlock(&lock);
    return wrote;
}

ssize_t pwrite(int fd, const void *bytes, size_t length, off_t at)
{
    return pwrite64(fd, bytes, length, at);
}

ssize_t write(int fd, const void *bytes, size_t length)
{
    pthread_once(&once, begin);
    pthread_mutex_lock(&lock);
    struct file *file = watched(fd);
    ssize_t wrote = -1;
    if (!file || !fails()) {
        off_t at = file ? lseek(fd, 0, SEEK_CUR) : 0;
        wrote = real_write(fd, bytes, length);
        if (file && wrote > 0)
            remember(file, at, bytes, wrote);
    }
    pthread_mutex_unlock(&lock);
    return wrote;
}

int ftruncate64(int fd, off_t length)
{
    pthread_once(&once, begin);
    pthread_mutex_lock(&lock);
    struct file *file = watched(fd);
    int result = -1;
    if (!file || !fails()) {
        result = real_ftruncate(fd, length);
        if (file && !result)
            remember(file, length, NULL, 0);
    }
    pthread_mutex_unlock(&lock);
    return result;
}

int ftruncate(int fd, off_t length)
{
    return ftruncate64(fd, length);
}

static int synced(int fd, int (*real)(int))
{
    pthread_mutex_lock(&lock);
    struct file *file = watched(fd);
    int result = -1;
    if (!file || !fails()) {
        result = real(fd);
        if (file && !result)
            settle(file);
    }
    pthread_mutex_unlock(&lock);
    return result;
}

int fsync(int fd)
{
    pthread_once(&once, begin);
    return synced(fd, real_fsync);
}

int fdatasync(int fd)
{
    pthread_once(&once, begin);
    return synced(fd, real_fdatasync);
}

/* A removed file is gone: the engine removes a log only once all of it is in the database. */
int unlink(const char *path)
{
    pthread_once(&once, begin);
    pthread_mutex_lock(&lock);
    for (int i = 0; i < file_count; i++)
        if (!strcmp(files[i].path, path)) {
            settle(&files[i]);
            free(files[i].durable);
            files[i] = files[--file_count];
            break;
        }
    int result = real_unlink(path);
    pthread_mutex_unlock(&lock);
    return result;
}
