/* Loaded before a program (LD_PRELOAD): fails, or kills at, the n-th change to files below one folder.

A change is a call that writes, makes, renames, removes, shortens or flushes a file. Every library of the process goes through
these calls, SQLite and FFmpeg too, so that the program itself needs no hook. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

enum { COUNT = 0, FULL = 1, KILL = 2, DENIED = 3, BROKEN = 4, ONCE = 5 };
enum { WRITES = 1, MAKES = 2, MOVES = 4, FLUSHES = 8 };

static char below[PATH_MAX];
static int armed, mode, told_fd = -1;
static long at, seen;

void faults_arm(const char *folder, int how, long nth, int tell_fd) {
    strncpy(below, folder, sizeof below - 1);
    mode = how; at = nth; seen = 0; told_fd = tell_fd; armed = 1;
}
long faults_seen(void) { return seen; }

static int real_write_fd(int fd, const char *text, size_t size) {
    static ssize_t (*real)(int, const void *, size_t);
    if (!real) real = dlsym(RTLD_NEXT, "write");
    return (int)real(fd, text, size);
}

/* 0: go on. Otherwise errno is set. *dying says that the process is to be killed after half of the write. */
static int change(int kind, const char *name, const char *path, int *dying) {
    seen++;
    if (told_fd >= 0) {
        char line[PATH_MAX + 64];
        int size = snprintf(line, sizeof line, "%ld %s %s\n", seen, name, path + strlen(below));
        real_write_fd(told_fd, line, (size_t)size);
    }
    if (mode == KILL && seen == at) {
        if (kind == WRITES && dying) { *dying = 1; return 0; }
        kill(getpid(), SIGKILL);
        for (;;) pause();
    }
    if (mode == FULL && seen >= at && (kind & (WRITES | MAKES))) { errno = ENOSPC; return -1; }
    if (mode == DENIED && seen >= at && (kind & (MAKES | MOVES))) { errno = EACCES; return -1; }
    if (mode == BROKEN && seen >= at && (kind & (WRITES | FLUSHES))) { errno = EIO; return -1; }
    if (mode == ONCE && seen == at) { errno = EIO; return -1; }
    return 0;
}

static int is_below(const char *path) { return strncmp(path, below, strlen(below)) == 0; }

static int of_fd(int fd, char *path) {
    char link[64];
    ssize_t size;
    if (!armed) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    size = readlink(link, path, PATH_MAX - 1);
    if (size <= 0) return 0;
    path[size] = 0;
    return is_below(path);
}

static int of_path(int dirfd, const char *given, char *path) {
    size_t size;
    if (!armed || !given) return 0;
    if (given[0] == '/') { strncpy(path, given, PATH_MAX - 1); path[PATH_MAX - 1] = 0; return is_below(path); }
    if (dirfd == AT_FDCWD) { if (!getcwd(path, PATH_MAX / 2)) return 0; }
    else if (!of_fd(dirfd, path)) return 0;
    size = strlen(path);
    snprintf(path + size, PATH_MAX - size, "/%s", given);
    return is_below(path);
}

#define REAL(name, type, ...) \
    static type (*real)(__VA_ARGS__); \
    if (!real) real = (type (*)(__VA_ARGS__))dlsym(RTLD_NEXT, name)

static ssize_t half_and_die(ssize_t written) { (void)written; kill(getpid(), SIGKILL); for (;;) pause(); }

ssize_t write(int fd, const void *data, size_t size) {
    char path[PATH_MAX]; int dying = 0;
    REAL("write", ssize_t, int, const void *, size_t);
    if (of_fd(fd, path) && change(WRITES, "write", path, &dying)) return -1;
    if (dying) half_and_die(real(fd, data, size / 2));
    return real(fd, data, size);
}
ssize_t pwrite(int fd, const void *data, size_t size, off_t offset) {
    char path[PATH_MAX]; int dying = 0;
    REAL("pwrite", ssize_t, int, const void *, size_t, off_t);
    if (of_fd(fd, path) && change(WRITES, "write", path, &dying)) return -1;
    if (dying) half_and_die(real(fd, data, size / 2, offset));
    return real(fd, data, size, offset);
}
ssize_t pwrite64(int fd, const void *data, size_t size, off64_t offset) {
    char path[PATH_MAX]; int dying = 0;
    REAL("pwrite64", ssize_t, int, const void *, size_t, off64_t);
    if (of_fd(fd, path) && change(WRITES, "write", path, &dying)) return -1;
    if (dying) half_and_die(real(fd, data, size / 2, offset));
    return real(fd, data, size, offset);
}
ssize_t writev(int fd, const struct iovec *parts, int count) {
    char path[PATH_MAX]; int dying = 0;
    REAL("writev", ssize_t, int, const struct iovec *, int);
    if (of_fd(fd, path) && change(WRITES, "write", path, &dying)) return -1;
    if (dying) half_and_die(real(fd, parts, count > 1 ? 1 : count));
    return real(fd, parts, count);
}
static int makes(int flags) { return (flags & O_CREAT) || (flags & O_TRUNC); }
#define OPENING(function) \
    int function(const char *given, int flags, ...) { \
        char path[PATH_MAX]; mode_t bits = 0; va_list more; \
        REAL(#function, int, const char *, int, ...); \
        if (flags & (O_CREAT | O_TMPFILE)) { va_start(more, flags); bits = va_arg(more, mode_t); va_end(more); } \
        if (makes(flags) && of_path(AT_FDCWD, given, path) && change(MAKES, "make", path, NULL)) return -1; \
        return real(given, flags, bits); \
    }
OPENING(open)
OPENING(open64)
#define OPENING_AT(function) \
    int function(int dirfd, const char *given, int flags, ...) { \
        char path[PATH_MAX]; mode_t bits = 0; va_list more; \
        REAL(#function, int, int, const char *, int, ...); \
        if (flags & (O_CREAT | O_TMPFILE)) { va_start(more, flags); bits = va_arg(more, mode_t); va_end(more); } \
        if (makes(flags) && of_path(dirfd, given, path) && change(MAKES, "make", path, NULL)) return -1; \
        return real(dirfd, given, flags, bits); \
    }
OPENING_AT(openat)
OPENING_AT(openat64)
int mkdir(const char *given, mode_t bits) {
    char path[PATH_MAX];
    REAL("mkdir", int, const char *, mode_t);
    if (of_path(AT_FDCWD, given, path) && change(MAKES, "mkdir", path, NULL)) return -1;
    return real(given, bits);
}
int rename(const char *old, const char *new) {
    char path[PATH_MAX];
    REAL("rename", int, const char *, const char *);
    if (of_path(AT_FDCWD, new, path) && change(MOVES, "rename", path, NULL)) return -1;
    return real(old, new);
}
int renameat(int a, const char *old, int b, const char *new) {
    char path[PATH_MAX];
    REAL("renameat", int, int, const char *, int, const char *);
    if (of_path(b, new, path) && change(MOVES, "rename", path, NULL)) return -1;
    return real(a, old, b, new);
}
int renameat2(int a, const char *old, int b, const char *new, unsigned flags) {
    char path[PATH_MAX];
    REAL("renameat2", int, int, const char *, int, const char *, unsigned);
    if (of_path(b, new, path) && change(MOVES, "exchange", path, NULL)) return -1;
    return real(a, old, b, new, flags);
}
int link(const char *old, const char *new) {
    char path[PATH_MAX];
    REAL("link", int, const char *, const char *);
    if (of_path(AT_FDCWD, new, path) && change(MAKES, "link", path, NULL)) return -1;
    return real(old, new);
}
int linkat(int a, const char *old, int b, const char *new, int flags) {
    char path[PATH_MAX];
    REAL("linkat", int, int, const char *, int, const char *, int);
    if (of_path(b, new, path) && change(MAKES, "link", path, NULL)) return -1;
    return real(a, old, b, new, flags);
}
int unlink(const char *given) {
    char path[PATH_MAX];
    REAL("unlink", int, const char *);
    if (of_path(AT_FDCWD, given, path) && change(MOVES, "remove", path, NULL)) return -1;
    return real(given);
}
int unlinkat(int dirfd, const char *given, int flags) {
    char path[PATH_MAX];
    REAL("unlinkat", int, int, const char *, int);
    if (of_path(dirfd, given, path) && change(MOVES, "remove", path, NULL)) return -1;
    return real(dirfd, given, flags);
}
int rmdir(const char *given) {
    char path[PATH_MAX];
    REAL("rmdir", int, const char *);
    if (of_path(AT_FDCWD, given, path) && change(MOVES, "remove", path, NULL)) return -1;
    return real(given);
}
#define BY_FD(function, kind, word) \
    int function(int fd) { \
        char path[PATH_MAX]; \
        REAL(#function, int, int); \
        if (of_fd(fd, path) && change(kind, word, path, NULL)) return -1; \
        return real(fd); \
    }
BY_FD(fsync, FLUSHES, "flush")
BY_FD(fdatasync, FLUSHES, "flush")
int ftruncate(int fd, off_t size) {
    char path[PATH_MAX];
    REAL("ftruncate", int, int, off_t);
    if (of_fd(fd, path) && change(MOVES, "shorten", path, NULL)) return -1;
    return real(fd, size);
}
int ftruncate64(int fd, off64_t size) {
    char path[PATH_MAX];
    REAL("ftruncate64", int, int, off64_t);
    if (of_fd(fd, path) && change(MOVES, "shorten", path, NULL)) return -1;
    return real(fd, size);
}
